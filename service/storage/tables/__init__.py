"""The tables, by noun. Rows are not validated here: schemas check what comes in."""

from service.storage.tables.base import table_of
from service.storage.tables.cases import (
    BY_HAND,
    ENDED_STATUSES,
    IN_TRAY,
    PUT_OFF,
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
    PastUse,
    Recall,
    SizingDefault,
    UnlearnedCode,
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
    "AUDIT_LINE",
    "BALANCE",
    "BILLED_USE",
    "BY_HAND",
    "CASE",
    "ENDED_STATUSES",
    "EVENT",
    "HOLD",
    "IN_TRAY",
    "ITEM",
    "LIST",
    "LOAN_RETURN",
    "LOT",
    "MOVEMENT",
    "ORDER",
    "ORDER_LINE",
    "PACK",
    "PAST_USE",
    "PLACE",
    "PROPOSAL_LINE",
    "PUT_OFF",
    "RECALL",
    "RECEIPT",
    "SITE",
    "TRANSFER",
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
    "PastUse",
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
    "UnlearnedCode",
    "table_of",
]

#: The plain tables under the row classes, for queries that want no objects.
AUDIT_LINE = table_of(AuditLine)
BALANCE = table_of(Balance)
BILLED_USE = table_of(BilledUse)
CASE = table_of(SurgicalCase)
EVENT = table_of(CaseEvent)
HOLD = table_of(Hold)
ITEM = table_of(Item)
LIST = table_of(OperatingList)
LOAN_RETURN = table_of(LoanReturn)
LOT = table_of(Lot)
MOVEMENT = table_of(Movement)
ORDER = table_of(SupplyOrder)
ORDER_LINE = table_of(OrderLine)
PACK = table_of(CasePack)
PAST_USE = table_of(PastUse)
PLACE = table_of(Location)
PROPOSAL_LINE = table_of(ParProposalLine)
RECALL = table_of(Recall)
RECEIPT = table_of(OrderReceipt)
SITE = table_of(Site)
TRANSFER = table_of(Transfer)
