"""What the lines of the audit trail say: what somebody did, and to which record."""

from collections.abc import Mapping
from urllib.parse import unquote

from web.labels import figure_name, plain

#: What was done, by the handler that did it, of the API or of a page.
_DONE = {
    "cases.add_case": "Case added",
    "cases.cancel_case": "Case cancelled",
    "cases.change_case": "Case changed",
    "cases.confirm_backups": "Backups confirmed",
    "cases.make_plan": "Plan saved",
    "catalogue.add_item": "Item added",
    "catalogue.change_item": "Item changed",
    "figures.set_figure": "Sizing assumption changed",
    "imports.take_file": "File imported",
    "items.record": "Stock moved or counted",
    "items.undo": "Stock change undone",
    "items.unlearn_code": "Code unlinked",
    "orders.approve": "Order approved",
    "orders.cancel": "Order cancelled",
    "orders.change_lines": "Order lines saved",
    "orders.change_order": "Order lines saved",
    "orders.decide": "Order sent, redated or cancelled",
    "orders.draft": "Added to a draft order",
    "orders.draft_bills": "Bill-only order drafted",
    "orders.give_back": "Loan returned",
    "orders.let_go": "Rest of an order cancelled",
    "orders.make_sterile": "Marked as sterile",
    "orders.new_draft": "Added to a draft order",
    "orders.put_buyer": "Our details on orders changed",
    "orders.put_holiday": "Closed day added",
    "orders.put_supplier": "Supplier changed",
    "orders.receive": "Delivery booked in",
    "orders.remove_holiday": "Closed day removed",
    "orders.send": "Order marked as sent",
    "orders.set_moments": "Delivery date changed",
    "par.decide_lines": "Par levels decided",
    "par.make_proposal": "Par proposal worked out",
    "par.order_missing": "Added to a draft order",
    "par.propose": "Par proposal worked out",
    "par.set_level": "Par level set",
    "par_proposal.accept_ticked": "Par levels decided",
    "par_proposal.decide_line": "Par levels decided",
    "people.add_person": "Person added",
    "people.change_person": "Person changed",
    "people.enter": "Signed in",
    "people.enter_again": "Unlocked with the PIN",
    "people.leave": "Signed out",
    "people.make_token": "Token made",
    "people.revoke_token": "Token revoked",
    "people.set_password": "Password set",
    "people.set_pin": "PIN set",
    "planning.import_rows": "File imported",
    "planning.put_construct": "Construct saved",
    "planning.put_rules": "Guidance rules changed",
    "planning.remove_construct": "Construct removed",
    "planning.set_default": "Sizing assumption changed",
    "plans.save_plan": "Plan saved",
    "recalls.lift_recall": "Recall withdrawn",
    "recalls.start_recall": "Recall started",
    "receiving.give_back": "Loan returned",
    "receiving.make_sterile": "Marked as sterile",
    "receiving.receive": "Delivery booked in",
    "sets.make_sterile": "Marked as sterile",
    "shortfalls.make_drafts": "Added to a draft order",
    "stock.add_delivery": "Delivery entered",
    "stock.add_location": "Shelf added",
    "stock.answer": "Transfer answered",
    "stock.ask": "Transfer asked for",
    "stock.correct_use_by": "Use-by date corrected",
    "stock.lift_recall": "Recall withdrawn",
    "stock.receive_transfer": "Transfer booked in",
    "stock.record_movement": "Stock moved or counted",
    "stock.start_recall": "Recall started",
    "suppliers.change_holidays": "Closed days changed",
    "suppliers.put_buyer": "Our details on orders changed",
    "suppliers.put_supplier": "Supplier changed",
    "transfers.answer": "Transfer answered",
    "transfers.ask": "Transfer asked for",
    "transfers.receive": "Transfer booked in",
    "trays.all_back": "Unused packs returned",
    "trays.by_hand": "Pack put on the tray",
    "trays.learn": "Code linked to a REF",
    "trays.learn_code": "Code linked to a REF",
    "trays.pick_pack": "Pack put on the tray",
    "trays.promise": "Units reserved",
    "trays.refresh_holds": "Reservations renewed",
    "trays.scan": "Pack put on the tray",
    "trays.set_status": "Tray status changed",
    "trays.settle": "Outcome of a pack recorded",
    "trays.settle_pack": "Outcome of a pack recorded",
    "trays.unlearn_code": "Code unlinked",
}


_REFUSED = {"people.enter": "Sign-in refused", "people.enter_again": "PIN refused"}


def what_was_done(operation: str, subject: str, outcome: str) -> str:
    """Say what a line of the trail is about.

    Examples
    --------
    >>> what_was_done("web.pages.people.enter", "/sign-in", "signed in")
    'Signed in'
    >>> what_was_done("", "traywright import", "done")
    'Command line: import'
    """
    if not operation:
        return f"Command line: {subject.removeprefix('traywright').strip() or 'service'}"
    key = operation.removeprefix("web.pages.").removeprefix("api.")
    if outcome == "refused" and key in _REFUSED:
        return _REFUSED[key]
    return _DONE.get(key) or plain(key.rpartition(".")[2]).capitalize()


def is_named(operation: str) -> bool:
    """Tell whether what a handler does has words of its own."""
    return operation.removeprefix("web.pages.").removeprefix("api.") in _DONE


def records_of(subject: str, facts: Mapping[str, object]) -> list[str]:
    """Name the records of a line: what its address names, then the further facts.

    Examples
    --------
    >>> records_of("/cases/HAR-0712/confirm", {"cases": ["HAR-0712"], "lots": ["A1"]})
    ['HAR-0712', 'Lots: A1']
    """
    folder, *parts = [unquote(part) for part in subject.removeprefix("/api/v1").split("/") if part]
    found = [part for part in parts if any(one.isupper() or one.isdigit() for one in part)]
    if folder in {"figures", "sizing_defaults"}:
        found = [figure_name(part) for part in parts]
    for name, value in facts.items():
        texts = [str(one) for one in value] if isinstance(value, list) else [str(value)]
        if set(texts) - set(found):
            found.append(f"{plain(name).capitalize()}: {', '.join(texts)}")
    return found
