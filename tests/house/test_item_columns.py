"""A catalogue line has the same columns in the table, the file, the interface and the planner."""

from dataclasses import fields

from service.core.catalogue import ItemFacts
from service.exchange.sheets.columns import CatalogueRow
from service.schemas.catalogue import ItemBody, ItemOut
from service.storage.tables import Item


def test_a_column_of_the_catalogue_is_everywhere_or_nowhere() -> None:
    # The comparable form of the supplier is made, not said.
    stored = set(Item.model_fields) - {"id", "version", "supplier_key"}
    assert stored == set(ItemBody.model_fields)
    assert stored == set(ItemOut.model_fields) - {"version"}
    assert stored == {field.name for field in fields(CatalogueRow)}
    assert stored >= {field.name for field in fields(ItemFacts)}
