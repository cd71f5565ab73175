"""Random cases and stock for the properties of a check."""

from datetime import timedelta

from hypothesis import strategies as st

from service.core.constructs.kit_lines import CONSUMABLE, KitLine
from tests.core.planner_catalogue import DAY, at, case, line, parcel

REFS = ("A", "B", "C")


#: As roles give them: of two lines the same references serve both, or none does.
GROUPS = (("A",), ("B", "C"))


days = st.integers(0, 2).map(lambda ahead: DAY + timedelta(days=ahead))


def some_lines(first: st.SearchStrategy[bool]) -> st.SearchStrategy[tuple[KitLine, ...]]:
    return st.lists(
        st.builds(
            lambda refs, role, quantity, is_first: line(
                *refs, role=f"r{role}", quantity=quantity, first=is_first
            ),
            st.sampled_from(GROUPS),
            st.integers(0, 2),
            st.integers(1, 3),
            first,
        ),
        min_size=1,
        max_size=3,
    ).map(tuple)


# Only a primary has lines for first use.
any_constructs = st.tuples(
    some_lines(st.booleans()), st.lists(some_lines(st.just(value=False)), max_size=2)
).map(lambda parts: [parts[0], *parts[1]])


near_lines = st.builds(
    lambda refs, quantity: KitLine("n", "n", refs, quantity, "near: r", "on its shelf", CONSUMABLE),
    st.sampled_from(GROUPS),
    st.integers(1, 2),
)


any_parcels = st.lists(
    st.builds(
        lambda ref, quantity, use_by, blocked: (ref, quantity, use_by, blocked),
        st.sampled_from(REFS),
        st.integers(1, 3),
        st.none() | days,
        st.sampled_from([(), (), (), ("quarantined",)]),
    ),
    max_size=6,
).map(
    lambda rows: [
        parcel(ref, quantity, lot=f"lot{place}", use_by=use_by, blocked=blocked)
        for place, (ref, quantity, use_by, blocked) in enumerate(rows)
    ]
)


any_cases = st.lists(
    st.tuples(
        days,
        st.integers(8, 16),
        any_constructs,
        st.lists(near_lines, max_size=2).map(tuple),
        st.sampled_from(["T1", "T2"]),
    ),
    min_size=1,
    max_size=5,
).map(
    lambda rows: [
        case(f"K{place}", *constructs, starts=at(hour, day=day), near=near_, theatre=theatre)
        for place, (day, hour, constructs, near_, theatre) in enumerate(rows)
    ]
)
