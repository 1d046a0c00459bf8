"""Where a key stands in a TOML text."""

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.locate import Place, key_lines, line_of

TEXT = '''\
# "quoted" [not.a.table] = 1
title = "a # b = [c]"

[machine.M1]
logs = [
  "one",  # first
  "two",
]
"odd key" = """
[still.text]
x = 1
"""
a.b.c = 1
inline = { x = 1, y = { z = "}" }, list = [1, { w = 2 }] }

[[feature]]
id = '1'
[feature.more]
deep = 0.5

[[feature]]
id = "2\\"]"
when = 2026-11-25T06:45:12Z
[register."M1 tool 5 radius"]
band = "20 %"
'''


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("title",), 2),
        (("machine", "M1"), 4),
        (("machine", "M1", "logs"), 5),
        (("machine", "M1", "logs", 1), 7),
        (("machine", "M1", "odd key"), 9),
        (("machine", "M1", "a", "b", "c"), 13),
        (("machine", "M1", "inline", "y", "z"), 14),
        (("machine", "M1", "inline", "list", 1, "w"), 14),
        (("feature", 0, "id"), 17),
        (("feature", 0, "more", "deep"), 19),
        (("feature", 1), 21),
        (("feature", 1, "id"), 22),
        (("feature", 1, "when"), 23),
        (("register", "M1 tool 5 radius", "band"), 25),
    ],
)
def test_every_key_is_found_on_its_line(place: Place, line: int) -> None:
    """A fault names the line on which the key was written, however it was written."""
    assert key_lines(TEXT)[place] == line


def test_a_missing_key_is_reported_at_the_table_that_lacks_it() -> None:
    """What is not there has no line, so the table around it is named."""
    assert line_of(key_lines(TEXT), ("feature", 1, "nominal")) == 21
    assert line_of(key_lines(TEXT), ("nothing", "at", "all")) == 1


def places(found: Any, place: Place = ()) -> Iterator[Place]:
    children = found.items() if isinstance(found, dict) else enumerate(found) if isinstance(found, list) else ()
    for step, child in children:
        yield (*place, step)
        yield from places(child, (*place, step))


def test_every_place_of_a_document_has_a_line() -> None:
    """No key of a sound file is without a line."""
    assert set(places(tomllib.loads(TEXT))) <= set(key_lines(TEXT))


KEYS = st.sampled_from(["a", "b-1", '"c d"', "'e.f'", '"\\u00e9 ="', "1"])
VALUES = st.recursive(
    st.sampled_from(["1", "0.5", '"# ]"', "'}'", "true", '"""\n[x]\n"""', "'''\n'a'\n'''", "1979-05-27", "[]", "{}"]),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[\n" + ",\n".join(items) + "\n]"),
        st.lists(st.tuples(KEYS, inner), max_size=3, unique_by=lambda pair: pair[0]).map(
            lambda pairs: "{ " + ", ".join(f"{key} = {value}" for key, value in pairs) + " }"
        ),
    ),
    max_leaves=8,
)
LINES = st.one_of(
    st.tuples(KEYS, VALUES).map(lambda pair: f"{pair[0]} = {pair[1]}  # why"),
    KEYS.map(lambda key: f"[t.{key}]"),
    KEYS.map(lambda key: f"[[list.{key}]]"),
    KEYS.map(lambda key: f"[list.a.{key}]"),
    st.just(""),
)


@given(st.lists(LINES, max_size=12).map("\n".join))
def test_any_document_that_can_be_read_can_be_located(text: str) -> None:
    """Whatever can be read has a line for each of its keys, within the text."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return
    lines = key_lines(text)
    for place in places(document):
        assert 1 <= lines[place] <= text.count("\n") + 1
