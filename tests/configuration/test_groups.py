"""Which registers and features must be looked at together."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.groups import groups
from feedback.errors import UsageError
from tests.configuration.cells import BORE, CELL, DATUM, HEAD, Bare, cell, feature, with_features

SECOND_MACHINE = CELL[CELL.index("[machine.M1]") : CELL.index("[artefact")].replace("M1", "M2")


def shape(*features: str) -> list[tuple[list[str], list[str]]]:
    found = groups(with_features(*features), "M1")
    return [([str(register) for register in group.registers], [f.id for f in group.features]) for group in found]


def test_features_of_different_registers_are_apart() -> None:
    """What shares nothing is estimated on its own."""
    assert shape(BORE, DATUM) == [(["tool 5 radius"], ["12"]), (["work 54 X"], ["31"])]


def test_a_shared_register_couples_features() -> None:
    """A bore and a boss of one cutter tell about the same wear."""
    assert shape(BORE, DATUM, feature("13", kind="boss", tool=5)) == [
        (["tool 5 radius"], ["12", "13"]),
        (["work 54 X"], ["31"]),
    ]


def test_a_reading_of_two_registers_couples_both_with_all_their_features() -> None:
    """A wall against a datum ties the cutter's features to the fixture's."""
    wall = feature("2", kind="wall", axis="X", faces="+", tool=5, relative_to="31", work="54")
    assert shape(BORE, DATUM, wall) == [(["tool 5 radius", "work 54 X"], ["12", "31", "2"])]


def test_a_feature_that_no_register_moves_stands_alone() -> None:
    """It is still watched, with nothing to correct."""
    assert shape(feature("9", kind="drilled"), BORE) == [(["tool 5 radius"], ["12"]), ([], ["9"])]
    (_, alone) = groups(with_features(feature("9", kind="drilled"), BORE), "M1")
    assert alone.key == "feature 4101/9"


def test_plans_of_one_machine_are_coupled_through_its_tools() -> None:
    """Wear of a cutter shows on every part it cuts, whatever the plan."""
    other = HEAD.replace("4101", "4102") + BORE
    (group, _) = groups(cell(**{"parts/4102.toml": other}), "M1")
    assert [f.key for f in group.features] == ["4101/12", "4102/12"]


def test_a_plan_may_be_for_some_machines_only() -> None:
    """What is never cut on a machine is no part of its groups."""
    other = HEAD.replace("4101", "4102") + 'machines = ["M2"]\n' + BORE.replace("tool = 5", "tool = 6")
    configuration = cell(cell=CELL + SECOND_MACHINE, **{"parts/4102.toml": other})
    assert [group.key for group in groups(configuration, "M1")] == ["tool 5 radius", "work 54 X"]
    assert [group.key for group in groups(configuration, "M2")] == ["tool 5 radius", "tool 6 radius", "work 54 X"]
    assert {group.machine for group in groups(configuration, "M2")} == {"M2"}


def test_an_unknown_machine_is_answered_with_the_known_ones() -> None:
    """A slip of the pen is answered with words."""
    with pytest.raises(UsageError, match=r"found machine 'M9'; wanted one of M1"):
        groups(cell(), "M9")


MOVES = st.lists(
    st.sets(st.sampled_from(["tool 1 radius", "tool 2 radius", "tool 1 length", "work 55 X", "work 55 Y"]), max_size=3),
    min_size=1,
    max_size=7,
)


@given(MOVES)
def test_groups_split_all_registers_and_features_and_never_a_coupling(moved: list[set[str]]) -> None:
    """Each register and each feature is in exactly one group, with everything it is coupled to."""
    tables = [
        feature(str(index), kind="bore", moves=Bare("{ " + ", ".join(f'"{name}" = 1' for name in sorted(names)) + " }"))
        for index, names in enumerate(moved)
    ]
    found = groups(with_features(*tables), "M1")
    assert sorted(f.id for group in found for f in group.features) == sorted(map(str, range(len(moved))))
    registers = [str(register) for group in found for register in group.registers]
    assert sorted(registers) == sorted(set().union(*moved))
    for group in found:
        for f in group.features:
            assert set(f.moves) <= set(group.registers)
            assert f.moves or group.features == (f,)
        assert len(_joined(moved, {str(register) for register in group.registers})) <= 1


def _joined(moved: list[set[str]], registers: set[str]) -> list[set[str]]:
    """The same components found the slow way: join any two sets that touch until none do."""
    sets = [names for names in moved if names & registers]
    while True:
        pairs = ((a, b) for a in sets for b in sets if a is not b and a & b)
        a, b = next(pairs, (None, None))
        if a is None or b is None:
            return sets
        sets = [names for names in sets if names is not a and names is not b] + [a | b]
