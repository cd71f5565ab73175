"""The files people bring: catalogue, stock take, usage history, deliveries, operating lists.

Nothing here knows the database: a REF is text, and whether it exists is asked later.
"""

from service.exchange.catalogue_rows import CatalogueRow, read_catalogue
from service.exchange.list_rows import OperatingListRow, read_operating_lists
from service.exchange.row_tables import Parsed, RowFault
from service.exchange.supply_rows import (
    DeliveryRow,
    StockRow,
    UsageRow,
    read_deliveries,
    read_stock_take,
    read_usage,
)

__all__ = [
    "CatalogueRow",
    "DeliveryRow",
    "OperatingListRow",
    "Parsed",
    "RowFault",
    "StockRow",
    "UsageRow",
    "read_catalogue",
    "read_deliveries",
    "read_operating_lists",
    "read_stock_take",
    "read_usage",
]
