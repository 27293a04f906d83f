"""Where a value stands in a TOML text, beside the standard parser, which says only what it is."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario_help import SMALL

from simulators.scenarios import SCENARIOS
from simulators.scenarios.places import Path, Places

TEXT = '''# a comment = 1
a = 1
"b c".d = "x # not"
[t.u]
k = { x = 1, y = [1,
 2], z.w = 1.5 }
[[r]]
n = """
several "quoted""""
m = 1979-05-27 07:32:00
[[r.s]]
q = []
[[r.s]]
q = ["a", # one
  "b", 'c]',
  "d",
]
[[r]]
[r.tab]
v = -1e5
[[ r . s ]]
q = [[1], [
  2]]
'''
LINES: list[tuple[Path, int]] = [
    (("a",), 2),
    (("b c", "d"), 3),
    (("t", "u"), 4),
    (("t", "u", "k", "y", 0), 5),
    (("t", "u", "k", "y", 1), 6),
    (("t", "u", "k", "z", "w"), 6),
    (("r", 0), 7),
    (("r", 0, "n"), 8),
    (("r", 0, "m"), 10),
    (("r", 0, "s", 0), 11),
    (("r", 0, "s", 0, "q"), 12),
    (("r", 0, "s", 1, "q", 0), 14),
    (("r", 0, "s", 1, "q", 2), 15),
    (("r", 0, "s", 1, "q", 3), 16),
    (("r", 1), 18),
    (("r", 1, "tab"), 19),
    (("r", 1, "tab", "v"), 20),
    (("r", 1, "s", 0, "q", 1, 0), 23),
    (("r", 0, "s", 1, "none"), 13),  # nothing of that name: what it would lie in
    (("nowhere",), 1),
]


@pytest.mark.parametrize(("path", "line"), LINES)
def test_lines(path: Path, line: int) -> None:
    assert line == Places(TEXT).line(path)


def scalars(value: object, path: Path = ()) -> list[tuple[Path, object]]:
    if isinstance(value, dict):
        return [found for key, inner in value.items() for found in scalars(inner, (*path, key))]
    if isinstance(value, list):
        return [found for nth, inner in enumerate(value) for found in scalars(inner, (*path, nth))]
    return [(path, value)]


@pytest.mark.parametrize("text", [SMALL, *(scenario.file.read_text() for scenario in SCENARIOS.values())])
def test_each_value_of_a_scenario_file_stands_in_the_line_it_is_said_to(text: str) -> None:
    places, lines = Places(text), text.split("\n")
    for path, value in scalars(tomllib.loads(text)):
        shown = str(value).lower() if isinstance(value, bool) else str(value)
        line = lines[places.line(path) - 1]
        assert shown in line or (isinstance(value, int) and f"0x{value:02X}" in line), path


KEYS = st.text("abc-_1", min_size=1, max_size=3)
VALUES = st.recursive(
    st.one_of(
        st.integers(1, 99).map(str),
        st.sampled_from(["true", "1.5", "'#]'", '"\\"="', "07:32:00", '"""a\n[b]"""', "'''x'''''"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: "[\n" + " , # c\n".join(items) + "\n]"),
        st.dictionaries(KEYS, inner, max_size=2).map(
            lambda table: "{ " + ", ".join(f"{key} = {value}" for key, value in table.items()) + " }"
        ),
    ),
    max_leaves=6,
)


@given(st.lists(st.tuples(st.sampled_from(["", "[[row]]\n"]), VALUES), min_size=1, max_size=6))
def test_keys_behind_any_values_are_found_in_their_lines(rows: list[tuple[str, str]]) -> None:
    text, expected = "", {}
    row = -1
    for nth, (header, value) in enumerate(rows):
        row += bool(header)
        text += header
        expected[f"key{nth}"] = (row, text.count("\n") + 1)
        text += f"key{nth} = {value}\n"
    tomllib.loads(text)
    places = Places(text)
    for key, (inside, line) in expected.items():
        assert line == places.line((key,) if inside < 0 else ("row", inside, key))
