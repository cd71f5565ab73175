"""Which role may do what: one table, for the API and the pages alike. What is not in it is denied.

A name is the module and function that answers a request, without ``service.``. The start of the
service fails when a route has no rule here.
"""

from collections.abc import Collection

from service.errors import Forbidden
from service.operations.caller import Caller

__all__ = ["ANYONE", "EVERYONE", "ROLES", "RULES", "UNATTENDED", "may", "require_role"]

NURSE, SURGEON, STOREKEEPER, ADMINISTRATOR = "nurse", "surgeon", "storekeeper", "administrator"
ROLES = (NURSE, SURGEON, STOREKEEPER, ADMINISTRATOR)

#: Open to who is not signed in: signing in itself, and whether the service lives.
ANYONE: frozenset[str] = frozenset()
EVERYONE = frozenset(ROLES)

_PLANS = frozenset({NURSE, SURGEON})
_STOCK = frozenset({STOREKEEPER})
_PACKS = frozenset({NURSE})
_MOVES = frozenset({NURSE, STOREKEEPER})
_ADMIN = frozenset({ADMINISTRATOR})

_READS = """
    api.items.list_items api.items.get_item api.stock.list_locations api.stock.list_stock
    api.stock.list_deliveries api.ledger.get_tray api.ledger.get_implants api.ledger.get_holds
    api.cases.list_days api.cases.check_day api.cases.get_case api.cases.suggest_plan
    api.cases.pick_list api.planning.list_constructs api.planning.get_construct
    api.planning.answer_sizing api.planning.list_defaults api.planning.answer_guidance
    api.planning.get_rules api.readiness.answer_readiness api.readiness.answer_kit
    api.readiness.get_day_readiness api.readiness.get_day_problem api.readiness.try_out
    api.scans.scan_pack api.recalls.list_recalls api.recalls.get_recall api.expiry.expiring
    api.people.who_am_i api.people.set_pin
    api.transfers.list_transfers
    api.par.answer_par api.par.get_demand api.par.list_proposals api.par.get_proposal
    api.par.list_levels api.par.get_level
    api.shortfalls.list_shortfalls api.suppliers.list_suppliers api.suppliers.get_supplier
    api.suppliers.list_holidays
    api.orders.list_orders api.orders.get_order api.orders.order_csv api.orders.order_xml
    api.orders.unbilled api.orders.list_loans api.orders.get_buyer
    api.fhir.metadata api.fhir.search_device_definitions api.fhir.read_device_definition
    api.fhir.search_devices api.fhir.read_device api.fhir.search_inventory_reports
    api.fhir.read_inventory_report api.fhir.search_supply_requests api.fhir.read_supply_request
    api.fhir.search_supply_deliveries api.fhir.read_supply_delivery
    api.fhir.search_device_usages api.fhir.read_device_usage
    web.pages.list_day.start web.pages.list_day.choose_day web.pages.list_day.list_day
    web.pages.list_day.try_out web.pages.cases.show_case web.pages.stock.show_stock
    web.pages.cases.try_case web.pages.pick_list.show_pick_list
    web.pages.figures.show_figures web.pages.sign_in.leave web.pages.docs.show_docs
    web.pages.people.show_me web.pages.people.set_pin
    web.pages.stock.show_list web.pages.items.show_item web.pages.sets.show_sets
    web.pages.recalls.show_recalls web.pages.recalls.show_recall
    web.pages.expiring.show_expiring web.pages.transfers.show_transfers
    web.pages.long_work.show_work web.pages.long_work.show_progress
    web.pages.live.stream web.pages.live.version web.pages.tray.show_tray
    web.pages.scanner.show_check web.pages.scanner.check
    web.pages.shortfalls.show_shortfalls web.pages.shortfalls.reckon
    web.pages.orders.show_orders web.pages.order.show_order web.pages.order.order_csv
    web.pages.order.order_xml web.pages.suppliers.show_suppliers
    web.pages.par.show_levels web.pages.par.show_level web.pages.par_proposal.show_proposal
"""

RULES: dict[str, frozenset[str]] = {
    **dict.fromkeys(_READS.split(), EVERYONE),
    "api.health.live": ANYONE,
    "api.health.ready": ANYONE,
    "api.health.metrics": ANYONE,
    "api.health.problem_kind": ANYONE,
    "web.pages.sign_in.show_sign_in": ANYONE,
    "web.pages.sign_in.enter": ANYONE,
    "web.pages.sign_in.enter_again": ANYONE,
    "api.items.add_item": _STOCK,
    "api.items.change_item": _STOCK,
    "api.stock.add_location": _STOCK,
    # Which kinds of movement a nurse may record stands below, kind by kind.
    "api.stock.record_movement": _MOVES,
    "movement receive": _STOCK,
    "movement move": _MOVES,
    "movement count": _STOCK,
    "movement write_off": _STOCK,
    "movement quarantine": _MOVES,
    "movement release": _STOCK,
    "movement loan_out": _STOCK,
    "movement correction": _STOCK,
    "api.stock.add_delivery": _STOCK,
    "api.ledger.pick_pack": _PACKS,
    "api.ledger.settle_pack": _PACKS,
    "api.ledger.set_status": _PACKS,
    "api.ledger.refresh_holds": _PLANS,
    "api.ledger.promise": _PLANS,
    "api.cases.add_case": _PLANS,
    "api.cases.change_case": _PLANS,
    "api.cases.cancel_case": _PLANS,
    "api.cases.make_plan": frozenset({SURGEON}),
    "api.planning.put_construct": _ADMIN,
    "api.planning.remove_construct": _ADMIN,
    "api.planning.set_default": _ADMIN,
    "api.planning.put_rules": _ADMIN,
    "api.planning.import_rows": frozenset({STOREKEEPER, ADMINISTRATOR}),
    "api.readiness.confirm_backups": frozenset({SURGEON}),
    "api.scans.learn_code": _MOVES,
    "api.recalls.start_recall": _STOCK,
    "api.recalls.lift_recall": _STOCK,
    "api.people.list_people": _ADMIN,
    "api.people.add_person": _ADMIN,
    "api.people.change_person": _ADMIN,
    "api.people.set_password": _ADMIN,
    "api.people.list_tokens": _ADMIN,
    "api.people.make_token": _ADMIN,
    "api.people.revoke_token": _ADMIN,
    "api.people.read_audit": _ADMIN,
    "api.par.make_proposal": _STOCK,
    "api.par.decide_lines": _STOCK,
    "api.par.set_level": _STOCK,
    "api.transfers.ask": _STOCK,
    "api.orders.draft": _STOCK,
    "api.orders.draft_bills": _STOCK,
    "api.orders.change_order": _STOCK,
    # In a department of one the storekeeper approves, too; who did stands on the order.
    "api.orders.approve": _STOCK,
    "api.orders.send": _STOCK,
    "api.orders.set_moments": _STOCK,
    "api.orders.cancel": _STOCK,
    "api.orders.let_go": _STOCK,
    "api.orders.receive": _STOCK,
    "api.orders.give_back": _STOCK,
    "api.orders.put_buyer": frozenset({STOREKEEPER, ADMINISTRATOR}),
    "api.orders.make_sterile": _MOVES,
    "api.suppliers.put_supplier": _STOCK,
    "api.suppliers.put_holiday": _STOCK,
    "api.suppliers.remove_holiday": _STOCK,
    "api.transfers.answer": _STOCK,
    "web.pages.cases.new_case": _PLANS,
    "web.pages.cases.add_case": _PLANS,
    "web.pages.cases.edit_case": _PLANS,
    "web.pages.cases.change_case": _PLANS,
    "web.pages.cases.cancel_case": _PLANS,
    "web.pages.cases.confirm_backups": frozenset({SURGEON}),
    "web.pages.plans.show_plan": frozenset({SURGEON}),
    "web.pages.plans.save_plan": frozenset({SURGEON}),
    "web.pages.plans.try_plan": frozenset({SURGEON}),
    "web.pages.tray.scan": _PACKS,
    "web.pages.tray.by_hand": _PACKS,
    "web.pages.tray.learn": _PACKS,
    "web.pages.tray_fates.show_fate": _PACKS,
    "web.pages.tray_fates.settle": _PACKS,
    "web.pages.tray_fates.all_back": _PACKS,
    "web.pages.tray_fates.set_status": _PACKS,
    "web.pages.imports.show_import": frozenset({STOREKEEPER, ADMINISTRATOR}),
    "web.pages.imports.take_file": frozenset({STOREKEEPER, ADMINISTRATOR}),
    # Which of these a nurse may do stands above, kind by kind.
    "web.pages.items.show_units": _MOVES,
    "web.pages.items.record": _MOVES,
    "web.pages.recalls.start_recall": _STOCK,
    "web.pages.recalls.lift_recall": _STOCK,
    "web.pages.transfers.ask": _STOCK,
    "web.pages.transfers.answer": _STOCK,
    "web.pages.shortfalls.make_drafts": _STOCK,
    "web.pages.orders.new_draft": _STOCK,
    "web.pages.orders.draft_bills": _STOCK,
    "web.pages.order.change_lines": _STOCK,
    "web.pages.order.decide": _STOCK,
    "web.pages.receiving.show_receive": _STOCK,
    "web.pages.receiving.receive": _STOCK,
    "web.pages.returning.show_return": _STOCK,
    "web.pages.returning.give_back": _STOCK,
    "web.pages.returning.make_sterile": _MOVES,
    "web.pages.suppliers.put_supplier": _STOCK,
    "web.pages.suppliers.change_holidays": _STOCK,
    "web.pages.suppliers.put_buyer": frozenset({STOREKEEPER, ADMINISTRATOR}),
    "web.pages.par.propose": _STOCK,
    "web.pages.par.set_level": _STOCK,
    "web.pages.par.order_missing": _STOCK,
    "web.pages.par_proposal.decide_line": _STOCK,
    "web.pages.par_proposal.accept_ticked": _STOCK,
    "web.pages.figures.set_figure": _ADMIN,
    "web.pages.people.show_people": _ADMIN,
    "web.pages.people.add_person": _ADMIN,
    "web.pages.people.show_audit": _ADMIN,
}

#: What an open page asks without anybody doing anything: it keeps no session from being locked.
UNATTENDED = frozenset({"web.pages.live.stream", "web.pages.live.version"})


def may(roles: Collection[str], operation: str) -> bool:
    """Tell whether somebody with these roles may call an operation; without a rule nobody may."""
    rule = RULES.get(operation)
    if rule is None:
        return False
    return rule == ANYONE or bool(rule & frozenset(roles))


def require_role(caller: Caller, operation: str) -> None:
    """Refuse a caller whose roles do not allow an operation; the service itself may do anything.

    Raises
    ------
    Forbidden
        Names the roles that may.
    """
    if caller.person_id is None and not caller.operation:
        return
    if not may(caller.roles, operation):
        roles = " or ".join(sorted(RULES.get(operation, ANYONE))) or "nobody"
        raise Forbidden(
            f"This is for {roles}; you are signed in as "
            f"{' and '.join(sorted(caller.roles)) or 'nobody in particular'}."
        )
