"""What a person reads where a value was refused: our words, with an example, never the "
"library's."""

import re
from collections.abc import Iterator
from typing import Annotated, Any, Literal, get_args, get_origin

import pytest
from fastapi._compat import ModelField
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute
from pydantic import BaseModel, TypeAdapter, ValidationError

# The library's own list of its errors with their templates; it is not in its public namespace.
from pydantic_core._pydantic_core import list_all_errors

from service.main import API_PARTS
from service.schemas.base import WANTED, Body
from service.schemas.faults import UNSAID, problem_faults, words_of
from service.schemas.problem import Part
from web.app import page_routers

#: What stands in the templates of the library beside their placeholders, words that go together.
ITS_SENTENCES = sorted(
    {
        part.strip()
        for error in list_all_errors()
        for template in (error["message_template_python"], error.get("message_template_json") or "")
        for part in re.split(r"\{[^}]*\}", template)
        if " " in part.strip()
    }
)


WRONG: tuple[object, ...] = (
    None,
    True,
    -1,
    0,
    2.5,
    10**13,
    10**400,
    float("nan"),
    "",
    " ",
    "twelve",
    "9" * 5000,
    "A b/c\n\x00",
    "\udc00",
    "2031-02-30",
    "1999-12-31",
    "2200-01-01T00:00",
    "25:61",
    "08:30+01:00",
    [],
    [None] * 600,
    ["A", "A"],
    {},
    {"kind": "nonsense"},
)


def all_models(base: type[BaseModel]) -> set[type[BaseModel]]:
    below = set(base.__subclasses__())
    return below.union(*(all_models(one) for one in below)) if below else below


def nested(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is not Literal:
        for part in get_args(annotation):
            yield from nested(part)


def wrong_bodies(model: type[BaseModel], depth: int = 0) -> Iterator[object]:
    """Give bodies with one wrong field each, in the parts of the body too."""
    yield {"no_such_field": 1}
    for name, field in model.model_fields.items():
        key = field.alias or name
        for value in WRONG:
            yield {key: value}
            yield {key: [value]}
            yield {key: {"name": value}}
        if depth < 3:
            for part in nested(field.annotation):
                kind = part.model_fields.get("kind")
                words = get_args(kind.annotation) if kind is not None else ()
                tag = {"kind": words[0]} if words else {}
                for inner in wrong_bodies(part, depth + 1):
                    if isinstance(inner, dict):
                        yield {key: {**tag, **inner}}
                        yield {key: [{**tag, **inner}]}


def errors_of(adapter: TypeAdapter[Any], values: Iterator[object]) -> Iterator[dict[str, Any]]:
    for value in values:
        try:
            adapter.validate_python(value)
        except ValidationError as refused:
            yield from (dict(one) for one in refused.errors(include_url=False))


MODELS = sorted(
    {*all_models(Body), *all_models(Part)}, key=lambda one: f"{one.__module__} {one.__qualname__}"
)


@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__qualname__)
def test_no_body_is_refused_in_the_words_of_the_library(model: type[BaseModel]) -> None:
    found = list(errors_of(TypeAdapter(model), wrong_bodies(model)))
    assert found
    for error in found:
        _is_ours(error)


def test_no_address_header_or_query_is_refused_in_the_words_of_the_library() -> None:
    seen = set()
    routers = [*(part.router for part in API_PARTS), *page_routers()]
    routes = (route for router in routers for route in router.routes)
    for route in (one for one in routes if isinstance(one, APIRoute)):
        for field in _parameters(route.dependant):
            info = field.field_info
            asked: Any = Annotated[info.annotation, info]
            adapter: TypeAdapter[Any] = TypeAdapter(asked)
            for error in errors_of(adapter, iter(WRONG)):
                seen.add(error["type"])
                _is_ours(error)
    assert {"int_parsing", "date_from_datetime_parsing", "string_pattern_mismatch"} <= seen


def _parameters(dependant: Dependant) -> Iterator[ModelField]:
    yield from (*dependant.path_params, *dependant.query_params, *dependant.header_params)
    for one in dependant.dependencies:
        yield from _parameters(one)


def _is_ours(error: dict[str, Any]) -> None:
    said = words_of(error)
    assert said != UNSAID, error["type"]
    assert not [part for part in ITS_SENTENCES if part in said], (error["type"], said)
    assert "{" not in said, (error["type"], said)


def test_every_pattern_says_what_is_wanted_with_an_example_that_matches() -> None:
    assert len(WANTED) > 9
    for expression, said in WANTED.items():
        example = said.rpartition("such as ")[2]
        assert example != said, said
        assert re.search(expression, example.removeprefix("_format=")), (expression, example)


@pytest.mark.parametrize(
    ("error", "said"),
    [
        ({"type": "missing", "loc": ("ref",)}, "this is required"),
        (
            {"type": "float_parsing", "loc": ("length_mm",)},
            "enter a number in millimetres, such as 10.5",
        ),
        (
            {"type": "less_than_equal", "loc": ("quantity",), "ctx": {"le": 1000}},
            "enter 1000 or less",
        ),
        (
            {"type": "literal_error", "loc": ("side",), "ctx": {"expected": "'left' or 'right'"}},
            "this must be 'left' or 'right'",
        ),
        (
            {"type": "value_error", "loc": ("x",), "ctx": {"error": ValueError("only a loan")}},
            "only a loan",
        ),
    ],
)
def test_a_kind_of_error_is_said_in_full(error: dict[str, Any], said: str) -> None:
    assert words_of(error) == said


def test_a_problem_is_refused_in_sentences() -> None:
    with pytest.raises(ValidationError) as refused:
        Part.model_validate({"unheard_of": 1})
    assert problem_faults(refused.value) == (
        ("/unheard_of", "This field is not known; leave it out."),
    )
