"""Which state of an order allows what."""

from typing import Literal

from service.storage.tables import SupplyOrder

OrderAct = Literal["change", "approve", "send", "receive", "cancel"]


#: In which states each can be done; what is on its way can be due anew and let go, too.
STATES_FOR: dict[OrderAct, tuple[str, ...]] = {
    "change": ("draft", "approved"),
    "approve": ("draft",),
    "send": ("approved",),
    "receive": ("sent",),
    "cancel": ("draft", "approved", "sent"),
}


def order_allows(state: str, act: OrderAct) -> bool:
    """Tell whether an order in a state allows something."""
    return state in STATES_FOR[act]


def is_on_its_way(order: SupplyOrder) -> bool:
    """Tell whether units of an order may come; a bill-only order brings nothing."""
    return order_allows(order.state, "receive") and order.kind != "bill_only"
