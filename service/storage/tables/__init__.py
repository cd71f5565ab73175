"""The tables, by noun. Rows are not validated here: schemas check what comes in."""

from service.storage.tables.base import table_of
from service.storage.tables.cases import (
    CaseEvent,
    CasePack,
    Confirmation,
    Hold,
    OperatingList,
    Plan,
    SurgicalCase,
)
from service.storage.tables.par import ParLevel, ParProposal, ParProposalLine
from service.storage.tables.people import ApiToken, AuditLine, Person, SignIn, Transfer
from service.storage.tables.reference import (
    ConstructTemplate,
    DoneRequest,
    GuidanceBook,
    ItemCode,
    Recall,
    SizingDefault,
    UsageRow,
)
from service.storage.tables.stock import Balance, Item, Location, Lot, Movement, Site
from service.storage.tables.supply import (
    BilledUse,
    Buyer,
    Holiday,
    LoanReturn,
    OrderLine,
    OrderReceipt,
    Sterilisation,
    Supplier,
    SupplyOrder,
)

__all__ = [
    "ApiToken",
    "AuditLine",
    "Balance",
    "BilledUse",
    "Buyer",
    "CaseEvent",
    "CasePack",
    "Confirmation",
    "ConstructTemplate",
    "DoneRequest",
    "GuidanceBook",
    "Hold",
    "Holiday",
    "Item",
    "ItemCode",
    "LoanReturn",
    "Location",
    "Lot",
    "Movement",
    "OperatingList",
    "OrderLine",
    "OrderReceipt",
    "ParLevel",
    "ParProposal",
    "ParProposalLine",
    "Person",
    "Plan",
    "Recall",
    "SignIn",
    "Site",
    "SizingDefault",
    "Sterilisation",
    "Supplier",
    "SupplyOrder",
    "SurgicalCase",
    "Transfer",
    "UsageRow",
    "table_of",
]
