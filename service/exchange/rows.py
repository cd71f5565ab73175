"""The files people bring: catalogue, suppliers, stock, usage history, deliveries, lists.

Nothing here knows the database: a REF is text, and whether it exists is asked later.
"""

from service.exchange.catalogue_rows import CatalogueRow, read_catalogue
from service.exchange.list_rows import OperatingListRow, read_operating_lists
from service.exchange.row_tables import Parsed, RowFault
from service.exchange.supplier_rows import (
    HolidayRow,
    SupplierRow,
    read_holidays,
    read_suppliers,
)
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
    "HolidayRow",
    "OperatingListRow",
    "Parsed",
    "RowFault",
    "StockRow",
    "SupplierRow",
    "UsageRow",
    "read_catalogue",
    "read_deliveries",
    "read_holidays",
    "read_operating_lists",
    "read_stock_take",
    "read_suppliers",
    "read_usage",
]
