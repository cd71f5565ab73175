"""Reading lists, cases and plans."""

from collections.abc import Collection
from datetime import date
from typing import Any

from sqlalchemy import Select, bindparam, exists, func, select
from sqlalchemy.orm import aliased
from sqlmodel import Session, col

from service.storage.tables import CaseEvent, Confirmation, OperatingList, Plan, SurgicalCase

AnySelect = Select[*tuple[Any, ...]]


def find_list(session: Session, site_id: int, day: date, theatre: str) -> OperatingList | None:
    """Return one theatre's list on one day."""
    query = select(OperatingList).filter_by(site_id=site_id, list_date=day, theatre=theatre)
    return session.execute(query).scalars().first()


def lists_between(session: Session, site_id: int, first: date, last: date) -> list[OperatingList]:
    """Return the lists from one day to another, both included, by day and theatre."""
    query = (
        select(OperatingList)
        .filter_by(site_id=site_id)
        .where(col(OperatingList.list_date) >= first, col(OperatingList.list_date) <= last)
        .order_by(col(OperatingList.list_date), col(OperatingList.theatre))
    )
    return list(session.execute(query).scalars())


# Written once: building a statement anew costs more than carrying it out.
_FIND_CASE = (
    select(SurgicalCase, OperatingList)
    .join(OperatingList, col(OperatingList.id) == col(SurgicalCase.list_id))
    .where(
        col(SurgicalCase.site_id) == bindparam("site_id"),
        col(SurgicalCase.reference) == bindparam("reference"),
    )
)


def find_case(
    session: Session, site_id: int, reference: str
) -> tuple[SurgicalCase, OperatingList] | None:
    """Return a case by its local reference, and its list."""
    row = session.execute(_FIND_CASE, {"site_id": site_id, "reference": reference}).first()
    return None if row is None else (row[0], row[1])


def cases_between(
    session: Session, site_id: int, first: date, last: date
) -> list[tuple[OperatingList, SurgicalCase]]:
    """Return every case not cancelled from one list day to another, in order of start."""
    query = _between(select(OperatingList, SurgicalCase), site_id, first, last)
    return [(row[0], row[1]) for row in session.execute(query)]


def _between(query: AnySelect, site_id: int, first: date, last: date) -> AnySelect:
    return (
        query.join(SurgicalCase, col(SurgicalCase.list_id) == col(OperatingList.id))
        .where(
            col(OperatingList.site_id) == site_id,
            col(OperatingList.list_date) >= first,
            col(OperatingList.list_date) <= last,
            col(SurgicalCase.status) != "cancelled",
        )
        .order_by(col(SurgicalCase.starts_at), col(SurgicalCase.reference))
    )


def planned_between(
    session: Session, site_id: int, first: date, last: date
) -> list[tuple[OperatingList, SurgicalCase, Plan | None, Confirmation | None]]:
    """Return the same cases, each with the newest revision of its plan and newest confirmation."""
    later, again = aliased(Plan), aliased(Confirmation)
    is_later = (col(later.case_id) == col(Plan.case_id)) & (
        col(later.revision) > col(Plan.revision)
    )
    is_again = (col(again.case_id) == col(Confirmation.case_id)) & (
        col(again.id) > col(Confirmation.id)
    )
    every = _between(select(OperatingList, SurgicalCase, Plan, Confirmation), site_id, first, last)
    query = every.outerjoin(
        Plan, (col(Plan.case_id) == col(SurgicalCase.id)) & ~exists().where(is_later)
    ).outerjoin(
        Confirmation,
        (col(Confirmation.case_id) == col(SurgicalCase.id)) & ~exists().where(is_again),
    )
    return [(row[0], row[1], row[2], row[3]) for row in session.execute(query)]


def latest_plan(session: Session, case_id: int) -> Plan | None:
    """Return the newest revision of a case's plan."""
    return latest_plans(session, [case_id]).get(case_id)


def latest_plans(session: Session, case_ids: list[int]) -> dict[int, Plan]:
    """Return the newest revision of each case's plan, by case."""
    newest = (
        select(col(Plan.case_id), func.max(col(Plan.revision)).label("revision"))
        .where(col(Plan.case_id).in_(case_ids))
        .group_by(col(Plan.case_id))
        .subquery()
    )
    query = select(Plan).join(
        newest,
        (col(Plan.case_id) == newest.c.case_id) & (col(Plan.revision) == newest.c.revision),
    )
    return {plan.case_id: plan for plan in session.execute(query).scalars()}


def next_list_day(session: Session, site_id: int, first: date) -> date | None:
    """Return the first day from a day on that has a list."""
    query = select(func.min(col(OperatingList.list_date))).where(
        col(OperatingList.site_id) == site_id, col(OperatingList.list_date) >= first
    )
    return session.execute(query).scalar()


def newest(session: Session, case_ids: Collection[int]) -> dict[int, Confirmation]:
    """Return the newest confirmation of each case that has one, by case."""
    last = (
        select(func.max(col(Confirmation.id)))
        .where(col(Confirmation.case_id).in_(case_ids))
        .group_by(col(Confirmation.case_id))
    )
    query = select(Confirmation).where(col(Confirmation.id).in_(last))
    return {row.case_id: row for row in session.execute(query).scalars()}


def events(session: Session, case_id: int) -> list[CaseEvent]:
    """Return what has happened to a case, the newest first."""
    query = select(CaseEvent).filter_by(case_id=case_id).order_by(col(CaseEvent.id).desc())
    return list(session.execute(query).scalars())
