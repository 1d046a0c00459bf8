"""Every rule carries its own cases and they hold."""

import pytest

from rules.cases import Case
from rules.catalogue import RULES, table
from rules.rule import Rule
from rules.verdicts import Clear, Hold, Stop, Wait, Wish

ALL = pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.name)


def answers(rule: Rule, cases: tuple[Case, ...]) -> list[type]:
    return [type(rule.judge(case.evidence, case.limits)) for case in cases]


@ALL
def test_a_rule_shows_when_it_acts_and_when_it_passes(rule: Rule) -> None:
    """A rule without a case for each side could be anything."""
    assert rule.holds_for or rule.wishes_for or rule.warns_for
    assert rule.passes_for


@ALL
def test_the_cases_of_a_rule_come_out_as_it_says(rule: Rule) -> None:
    """What a rule file promises is what the rule does."""
    assert set(answers(rule, rule.holds_for)) <= {Wait, Hold, Stop}
    assert set(answers(rule, rule.wishes_for)) <= {Wish}
    assert set(answers(rule, rule.warns_for + rule.passes_for)) <= {Clear}


@ALL
def test_a_caution_reads_differently_from_a_pass(rule: Rule) -> None:
    """A person can see that a rule let something pass with a caution."""
    passed = {rule.judge(case.evidence, case.limits).words for case in rule.passes_for}

    cautions = {rule.judge(case.evidence, case.limits).words for case in rule.warns_for}

    assert all("caution" in words for words in cautions)
    assert not any("caution" in words for words in passed)


@ALL
def test_every_answer_has_words_a_control_screen_can_show(rule: Rule) -> None:
    """Words are plain ASCII, one line, and short enough to read on a shop screen."""
    for case in rule.holds_for + rule.wishes_for + rule.warns_for + rule.passes_for:
        words = rule.judge(case.evidence, case.limits).words
        assert words.isascii()
        assert words.isprintable()
        assert 10 < len(words) < 260


def test_every_rule_has_a_name_of_its_own_and_a_reason() -> None:
    """The table for the documentation names each rule once, in the order of asking, with its reason on one line."""
    names = [name for name, _ in table()]

    assert names == [rule.name for rule in RULES]
    assert len(set(names)) == len(names)
    assert all(reason.endswith(".") and len(reason) > 40 for _, reason in table())


def test_stops_are_asked_first() -> None:
    """What needs a person before the next part is read first."""
    assert [rule.name for rule in RULES[:3]] == ["plausible", "broken", "tolerance"]


@pytest.mark.parametrize(
    ("name", "place", "words"),
    [
        (
            "tolerance",
            0,
            (
                "feature 12 (bearing bore) reads +21.1 um, 0.1 um above its upper limit +21.0 um: "
                "inspect the part before the next one is cut"
            ),
        ),
        (
            "tolerance",
            1,
            (
                "feature 12 (bearing bore) reads -0.1 um, 0.1 um below its lower limit +0.0 um: "
                "inspect the part before the next one is cut"
            ),
        ),
        (
            "tolerance",
            2,
            (
                "feature 12 (bearing bore) reads +40.0 um, 19.0 um above its upper limit +21.0 um; "
                "it is far from all other readings: clean and probe again first"
            ),
        ),
        (
            "register-known",
            0,
            (
                "the log never printed what tool 5 radius holds; have the program print OFFSET TOOL 5 RADIUS "
                "and its value with every part"
            ),
        ),
        ("evidence", 0, "2 of the 3 parts that must stand behind an estimate"),
        ("settle", 1, "1 of the 2 parts that must show the last change before the next one"),
        ("travel", 0, "the travel -150.0 um has reached its limit 150.0 um: change the tool"),
        ("travel", 3, "the travel +150.0 um has reached its limit 150.0 um: re-clamp or set the work offset anew"),
        (
            "conflict",
            0,
            (
                "tool 5 radius cannot bring 12 (bearing bore) at -12.0 um from centre (S -2) and 13 (bearing bore) at "
                "+12.0 um from centre (S -2) inside their limits together: one register cannot fix both"
            ),
        ),
    ],
)
def test_the_words_say_what_was_found_and_what_to_do(name: str, place: int, words: str) -> None:
    """An operator reads the number, the limit and the next action in one sentence."""
    rule = next(rule for rule in RULES if rule.name == name)
    case = rule.holds_for[place]

    assert rule.judge(case.evidence, case.limits).words == words
