"""Reading and writing construct templates, sizing defaults and the guidance book."""

from datetime import date
from typing import Any

from sqlalchemy import select
from sqlmodel import Session, col

from service.storage.queries import cases
from service.storage.tables import ConstructTemplate, GuidanceBook, SizingDefault


def templates(session: Session) -> list[ConstructTemplate]:
    """Return every construct template, by code."""
    query = select(ConstructTemplate).order_by(col(ConstructTemplate.code))
    return list(session.execute(query).scalars())


def sizing_defaults(session: Session) -> list[SizingDefault]:
    """Return every sizing default, by key."""
    return list(session.execute(select(SizingDefault).order_by(col(SizingDefault.key))).scalars())


def guidance_book(session: Session) -> GuidanceBook | None:
    """Return the guidance rules in force: the newest book."""
    query = select(GuidanceBook).order_by(col(GuidanceBook.id).desc()).limit(1)
    return session.execute(query).scalars().first()


def cases_planned_with(session: Session, site_id: int, first: date, code: str) -> list[str]:
    """Name the cases from a day on whose newest plan uses a construct template."""
    pairs = cases.cases_between(session, site_id, first, date.max)
    plans = cases.latest_plans(session, [case.id for _, case in pairs if case.id is not None])
    return [
        case.reference for _, case in pairs if case.id in plans and _uses(plans[case.id].body, code)
    ]


def _uses(body: dict[str, Any], code: str) -> bool:
    planned = [body["primary"], *body["alternates"]]
    parts = (part for text in planned for part in text.split("+"))
    return any(part.partition("@")[0] == code for part in parts)
