"""Every fault of a cell folder: where, what was found, what was wanted, what to do."""

import re
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from feedback.configuration.faults import Findings
from feedback.configuration.loading import from_texts
from feedback.errors import ConfigurationError
from tests.configuration.cells import BORE, CELL, DATUM, FOLDER, HEAD, LIMITS, PLAN, cell, faults, texts

LENGTH = 'wanted a length such as "0.020 mm" or "0.0008 in"'
REGISTER = 'wanted "tool 5 radius", "tool 5 length", "tool 5 x", "tool 5 z", "work 54 X" or "work 54.1 P3 Z"'


def swapped(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} must stand once in the text"
    return text.replace(old, new)


def test_the_sound_cell_has_no_faults() -> None:
    """Whatever is found below comes from the one change made there."""
    assert faults() == []


CELL_FAULTS = [
    ('"0.001 mm"', "0.001", f"8: machine.M1.least_increment: found 0.001 without a unit; {LENGTH}"),
    (
        '"0.001 mm"',
        '"0,001 mm"',
        f"8: machine.M1.least_increment: found '0,001 mm'; decimals use a point; {LENGTH}",
    ),
    ('"0.001 mm"', '"-0.001 mm"', "8: machine.M1.least_increment: found '-0.001 mm'; wanted more than zero"),
    (
        '"0.001 mm"',
        '"0.0001 in"',
        (
            "8: machine.M1.least_increment: is not in the unit of this machine, mm;"
            ' wanted it as the control counts, such as "0.001 mm"'
        ),
    ),
    (
        '"0.001 mm"',
        '"1 mm"',
        '8: machine.M1.least_increment: found 1 mm; wanted the step of the control\'s offset page, such as "0.001 mm"',
    ),
    ('unit = "mm"', 'unit = "in"', "7: machine.M1.unit: found 'in'; wanted mm or inch; did you mean \"inch\"?"),
    (
        'tool_radius = "radius"',
        "",
        (
            "5: machine.M1.tool_radius: is missing;"
            ' wanted what its tool register stores: tool_radius = "radius" or tool_radius = "diameter"'
        ),
    ),
    (
        'dialect = "g10-memory"',
        'dialekt = "g10-memory"',
        (
            "9: machine.M1.dialekt: is not a key of this table; wanted one of logs, layout, unit, least_increment,"
            " dialect, tool_radius, lag, repeatability, setter, break_limit, scale_cte, temperature,"
            ' probe; did you mean "dialect"?'
        ),
    ),
    (
        'dialect = "g10-memory"',
        'dialect = "g10memory"',
        (
            "9: machine.M1.dialect: found 'g10memory'; wanted one of g10-memory, rs274, sheet,"
            ' or a file dialects/g10memory.toml; did you mean "g10-memory"?'
        ),
    ),
    (
        'dialect = "g10-memory"',
        "lag = -1",
        "9: machine.M1.lag: found -1; wanted a whole number of parts, 0 or more",
    ),
    (
        'dialect = "g10-memory"',
        'repeatability = "1 h"',
        f"9: machine.M1.repeatability: found '1 h' with unit 'h'; {LENGTH}",
    ),
    (
        'dialect = "g10-memory"',
        "setter = 0.002",
        f"9: machine.M1.setter: found 0.002 without a unit; {LENGTH}",
    ),
    (
        'dialect = "g10-memory"',
        'break_limit = "0 mm"',
        "9: machine.M1.break_limit: found '0 mm'; wanted more than zero",
    ),
    (
        '"logs/M1"',
        '"."',
        "6: machine.M1.logs: found '/cell', which holds the cell folder itself; wanted a folder with logs only",
    ),
    ('"logs/M1"', "[]", "6: machine.M1.logs: found []; wanted a list of folders"),
    (
        '"Europe/Lisbon"',
        '"Europe/Lisbo"',
        (
            "3: cell.time_zone: found 'Europe/Lisbo'; wanted a time zone such as \"Europe/Lisbon\";"
            ' did you mean "Europe/Lisbon"?'
        ),
    ),
    ('name = "Cell 3"', "name = 3", '2: cell.name: found 3; wanted text; write "3" in quotes'),
    (
        'name = "Cell 3"',
        'name = "Cell 3"\nstore = "sqlit"',
        '3: cell.store: found \'sqlit\'; wanted "sqlite" or "postgresql://user@host/database"; did you mean "sqlite"?',
    ),
    (
        'size = "40.00062 mm"',
        'size = "40.00062"',
        f"14: artefact.RING1.size: found '40.00062' without a unit; {LENGTH}",
    ),
    (
        'kind = "ring"',
        'kind = "rings"',
        ("13: artefact.RING1.kind: found 'rings'; wanted ring or sphere or gauge; did you mean \"ring\"?"),
    ),
    (
        'material = "steel"',
        'material = "stel"',
        (
            "16: artefact.RING1.material: found 'stel', which is not in the table; state cte = \"11.5e-6 /K\" instead;"
            ' did you mean "steel"?'
        ),
    ),
    (
        'material = "steel"',
        "",
        '12: artefact.RING1: has neither material nor cte; wanted material = "steel" or cte = "11.5e-6 /K"',
    ),
    (
        'material = "steel"',
        'material = "steel"\ncte = "11.5e-6 /K"',
        "17: artefact.RING1.cte: is given together with material; wanted one of the two",
    ),
    (
        'material = "steel"',
        'cte = "11.5 /K"',
        "16: artefact.RING1.cte: found '11.5 /K'; wanted something like \"11.5e-6 /K\"",
    ),
    ('due = "8 h"', 'due = "8.5 parts"', "18: artefact.RING1.due: found '8.5 parts'; wanted whole parts"),
    (
        'due = "8 h"',
        'certificate_until = "June 2027"',
        "18: artefact.RING1.certificate_until: found 'June 2027'; wanted a day such as 2027-06-01",
    ),
    (
        'due = "8 h"',
        "certificate_until = 2027",
        "18: artefact.RING1.certificate_until: found 2027; wanted a day such as 2027-06-01",
    ),
    (
        'due = "8 h"',
        'machines = ["M2"]',
        "18: artefact.RING1.machines: found 'M2'; wanted one of M1",
    ),
    (
        'due = "8 h"',
        'centre_limit = "0 mm"',
        "18: artefact.RING1.centre_limit: found '0 mm'; wanted more than zero",
    ),
    (
        'dialect = "g10-memory"',
        'scale_cte = "11.5"',
        (
            "9: machine.M1.scale_cte: found '11.5' without a unit;"
            ' wanted an expansion coefficient such as "11.5e-6 /K"'
        ),
    ),
    (
        'dialect = "g10-memory"',
        "temperature = 22",
        (
            "9: machine.M1.temperature: found 22; wanted log or compensated, or the parts' temperature such as"
            ' "22 degC"'
        ),
    ),
    (
        'dialect = "g10-memory"',
        'temperature = "80 degC"',
        "9: machine.M1.temperature: found '80 degC'; wanted what a shop can be, 5 to 50 degC, such as \"22 degC\"",
    ),
    (
        'dialect = "g10-memory"',
        'temperature = "logs"',
        (
            "9: machine.M1.temperature: found 'logs'; wanted log or compensated, or the parts' temperature such as"
            ' "22 degC"; did you mean "log"?'
        ),
    ),
    (
        'dialect = "g10-memory"',
        "probe = 1",
        "9: machine.M1.probe: found 1; wanted a table of keys and values",
    ),
    (
        "[artefact.RING1]",
        '[machine.M1.probe]\npretravel = ["0.030 mm", "0 mm"]\n[artefact.RING1]',
        (
            "13: machine.M1.probe.pretravel: found ['0.030 mm', '0 mm'];"
            ' wanted the least and the most, such as ["0.000 mm", "0.030 mm"]'
        ),
    ),
    (
        "[artefact.RING1]",
        '[machine.M1.probe]\npretravel = "0.030 mm"\n[artefact.RING1]',
        (
            "13: machine.M1.probe.pretravel: found '0.030 mm';"
            ' wanted the least and the most, such as ["0.000 mm", "0.030 mm"]'
        ),
    ),
    (
        "[artefact.RING1]",
        "[machine.M1.probe]\nasymmetry = 0.002\n[artefact.RING1]",
        f"13: machine.M1.probe.asymmetry: found 0.002 without a unit; {LENGTH}",
    ),
    (
        "[artefact.RING1]",
        "[machine.M1.probe]\nnumber = 0\n[artefact.RING1]",
        "13: machine.M1.probe.number: found 0; wanted the number of a probe, such as 1",
    ),
    (
        "[artefact.RING1]",
        '[machine.M1.probe]\npre_travel = "0.01 mm"\n[artefact.RING1]',
        (
            "13: machine.M1.probe.pre_travel: is not a key of this table; wanted one of number, pretravel, asymmetry,"
            ' offset_limit, change_limit; did you mean "pretravel"?'
        ),
    ),
    (
        '["review"]',
        '["reveiw"]',
        "22: person.op1.may: found 'reveiw'; wanted review or limits or release; did you mean \"review\"?",
    ),
    (
        "[person.op1]",
        "[persons.op1]",
        (
            "20: persons: is not a key of this table; wanted one of cell, machine, artefact, person;"
            ' did you mean "person"?'
        ),
    ),
]


@pytest.mark.parametrize(("old", "new", "fault"), CELL_FAULTS)
def test_a_fault_of_the_cell_file_is_named_on_its_line(old: str, new: str, fault: str) -> None:
    """cell.toml: line, key, what was found, what was wanted, what to do."""
    assert faults(cell=swapped(CELL, old, new)) == [f"cell.toml:{fault}"]


PLAN_FAULTS = [
    ('id = "12"', "id = 12", '5: feature[1].id: found 12; wanted text; write "12" in quotes'),
    (
        'id = "12"',
        'id = "12 a"',
        "5: feature[1].id: found '12 a'; wanted printable ASCII without blanks, quotes, brackets or any of , ; = / \\",
    ),
    ('id = "12"', 'id = "31"', "12: feature[2].id: found '31' a second time; wanted each feature of a plan once"),
    (
        'kind = "bore"',
        'kind = "boar"',
        (
            "7: feature[1].kind: found 'boar'; wanted one of bore, boss, pocket, web, wall, floor, depth, position,"
            ' angle, diameter, drilled; did you mean "bore"?'
        ),
    ),
    (
        "tool = 5",
        'expands = "-5 mm"\ntool = 5',
        "10: feature[1].expands: found '-5 mm'; wanted a length, or \"0 mm\" where nothing expands",
    ),
    ("tool = 5", 'tool = "5"', "10: feature[1].tool: found '5'; wanted the tool's number, such as 5"),
    (
        "tool = 5",
        "",
        "4: feature[1].tool: is missing; wanted the number of the tool that finishes this bore",
    ),
    (
        '"25 mm"',
        "25",
        f'8: feature[1].nominal: found 25 without a unit; {LENGTH} or an angle such as "0.010 deg"',
    ),
    ('"25 mm"', '"25 deg"', '8: feature[1].nominal: found an angle; wanted a length such as "25 mm"'),
    ('"25 mm"', '"-25 mm"', "8: feature[1].nominal: found -25; wanted the size of this bore, more than zero"),
    ('"25 mm"', '"1e9 mm"', "8: feature[1].nominal: found '1e9 mm'; wanted at most 100 m"),
    (
        '"25 mm"',
        '"1 in"',
        "9: feature[1].tolerance: found 'H7' on a size in inches; ISO 286 steps are in mm; state the limits instead",
    ),
    ('"H7"', '"h7"', "9: feature[1].tolerance: found 'h7'; the class of a bore is written in upper case (holes)"),
    (
        '"H7"',
        '"H17"',
        (
            "9: feature[1].tolerance: found 'H17'; the table holds grades 5 to 11; state the limits instead,"
            ' such as ["-0.010 mm", "+0.015 mm"]'
        ),
    ),
    (
        '"H7"',
        '"T7"',
        (
            "9: feature[1].tolerance: found 'T7'; the table holds JS D E F G H K M N P R S for holes,"
            ' js d e f g h k m n p r s for shafts; state the limits instead, such as ["-0.010 mm", "+0.015 mm"]'
        ),
    ),
    (
        '"H7"',
        '["0.1 mm", "0.1 mm"]',
        "9: feature[1].tolerance: found lower 0.1 and upper 0.1; wanted lower below upper",
    ),
    (
        '"H7"',
        '"0.1 mm"',
        (
            "9: feature[1].tolerance: found '0.1 mm'; wanted an ISO 286 class such as \"H7\","
            ' or two deviations such as ["-0.010 mm", "+0.015 mm"]'
        ),
    ),
    (
        '["-0.050 mm", "+0.050 mm"]',
        '"H7"',
        "17: feature[2].tolerance: found 'H7'; a position has no ISO 286 class; state the limits",
    ),
    (
        'axis = "X"',
        "",
        "11: feature[2].axis: is missing; wanted the axis of this position: X, Y, Z",
    ),
    (
        'axis = "X"',
        'axis = "X"\nfaces = "+"',
        "15: feature[2].faces: means nothing for a position; wanted only for wall",
    ),
    (
        'work = "54"',
        'work = "55"',
        (
            "18: feature[2].work: found '55', but this plan is probed in '54': the reading does not move with another"
            ' work offset; wanted work = "54"'
        ),
    ),
    (
        'work = "54"',
        'work = "53"',
        '18: feature[2].work: found \'53\'; wanted a coordinate system such as "54", "59.1" or "54.1 P3"',
    ),
    (
        'role = "datum"',
        'role = "machined"',
        (
            "15: feature[2].role: the feature is read in the same coordinate system that cut it, so cutting and probing"
            " share the error and the reading says nothing about the work offset;"
            ' state relative_to = "<datum feature>", or machined_in and another probed_in,'
            ' or give role = "datum" if it was there before cutting'
        ),
    ),
    ("tool = 5", 'moves = { "tol 5 radius" = -2 }', f"10: feature[1].moves: found 'tol 5 radius'; {REGISTER}"),
    (
        "tool = 5",
        'moves = { "tool 5 radius" = 0 }',
        (
            "10: feature[1].moves: found 0 for 'tool 5 radius'; wanted the change of the reading for +1 in the"
            " register: a plain number, not zero, at most 4 either way"
        ),
    ),
    (
        "tool = 5",
        'moves = { "work 54 B" = 1 }',
        "10: feature[1].moves: found work 54 B, which is in deg; wanted a register in the unit of this bore",
    ),
    (
        "tool = 5",
        'moves = { "tool 5 radius" = 1, "TOOL 5 RADIUS" = 2 }',
        "10: feature[1].moves: found tool 5 radius, TOOL 5 RADIUS; wanted each register once",
    ),
    ('probed_in = "54"', "probed_in = 54", '3: probed_in: found 54; wanted text; write "54" in quotes'),
    (
        'probed_in = "54"',
        'probed_in = "54"\nmachines = ["M2"]',
        "4: machines: found 'M2'; wanted machines of cell.toml: M1",
    ),
]


@pytest.mark.parametrize(("old", "new", "fault"), PLAN_FAULTS)
def test_a_fault_of_a_plan_is_named_on_its_line(old: str, new: str, fault: str) -> None:
    """parts/*.toml: line, key, what was found, what was wanted, what to do."""
    found = faults(plan=swapped(PLAN, old, new))
    assert found == [f"parts/4101.toml:{fault}"]


LIMIT_FAULTS = [
    ('"30 %"', "0.3", '2: default.band: found 0.3 without a unit; wanted a share such as "30 %"'),
    ('"30 %"', '"0 %"', "2: default.band: found '0 %'; wanted more than zero"),
    ('"30 %"', '"101 %"', "2: default.band: found '101 %'; wanted at most 100 %"),
    ('band = "30 %"', 'aim = "-1 %"', "2: default.aim: found '-1 %'; wanted 0 % to 100 %"),
    (
        'band = "30 %"',
        'confidence = "100 %"',
        "2: default.confidence: found '100 %'; wanted at least 50 % and less than 100 %, such as \"99 %\"",
    ),
    (
        'band = "30 %"',
        'confidence = "49 %"',
        "2: default.confidence: found '49 %'; wanted at least 50 % and less than 100 %, such as \"99 %\"",
    ),
    ('band = "30 %"', "evidence = 0", "2: default.evidence: found 0; wanted a whole number of parts, 1 or more"),
    ('band = "30 %"', "settle = 1.5", "2: default.settle: found 1.5; wanted a whole number of parts, 0 or more"),
    ('band = "30 %"', "settle = true", "2: default.settle: found True; wanted a whole number of parts, 0 or more"),
    ('band = "30 %"', 'expires = "1.5 parts"', "2: default.expires: found '1.5 parts'; wanted whole parts"),
    ('band = "30 %"', 'step = "0.01 deg"', f"2: default.step: found '0.01 deg' with unit 'deg'; {LENGTH}"),
    (
        'band = "30 %"',
        'step = "0.2 mm"',
        (
            "2: default.step: one step of 0.2 mm is more than the whole travel of 0.15 mm;"
            " wanted a step no larger than the travel"
        ),
    ),
    (
        "[kind.work]",
        "[kind.wrok]",
        "4: kind.wrok: found 'wrok'; wanted tool or work or rotary; did you mean \"work\"?",
    ),
    (
        'step = "0.010 mm"',
        'stpe = "0.010 mm"',
        (
            "5: kind.work.stpe: is not a key of this table; wanted one of band, aim, settle, evidence, confidence,"
            ' expires, check, step, travel, implausible; did you mean "step"?'
        ),
    ),
    (
        "M1 tool 5 radius",
        "M2 tool 5 radius",
        '7: register."M2 tool 5 radius": found machine \'M2\'; wanted one of M1; did you mean "M1 tool 5 radius"?',
    ),
    (
        "M1 tool 5 radius",
        "M1 tool 6 radius",
        (
            '7: register."M1 tool 6 radius": no feature of the plans for M1 moves tool 6 radius;'
            ' wanted one of tool 5 radius, work 54 X; did you mean "tool 5 radius"?'
        ),
    ),
    (
        "M1 tool 5 radius",
        "M1 tool 5 raduis",
        (
            f"7: register.\"M1 tool 5 raduis\": found 'tool 5 raduis'; {REGISTER}, after the machine's name;"
            ' did you mean "M1 tool 5 radius"?'
        ),
    ),
    (
        'band = "30 %"',
        "check = true",
        "2: default.check: found True; wanted required or advised",
    ),
]


@pytest.mark.parametrize(("old", "new", "fault"), LIMIT_FAULTS)
def test_a_fault_of_the_limits_is_named_on_its_line(old: str, new: str, fault: str) -> None:
    """limits.toml: line, key, what was found, what was wanted, what to do."""
    assert faults(limits=swapped(LIMITS, old, new)) == [f"limits.toml:{fault}"]


def test_a_register_has_one_table() -> None:
    """Two tables for one register, written differently, would leave open which one counts."""
    assert faults(limits=LIMITS + '[register."M1 TOOL 5 Radius"]\nband = "10 %"\n') == [
        (
            "limits.toml:9: register.\"M1 TOOL 5 Radius\": found 'M1 TOOL 5 Radius' a second time;"
            " wanted one table for each register"
        )
    ]


def test_names_become_words_in_logs_and_names_of_folders() -> None:
    """What a log cannot print as one word, or a file system cannot carry, is refused."""
    assert faults(cell=swapped(CELL, "[machine.M1]", '[machine."M 1"]'), limits="") == [
        (
            "cell.toml:5: machine.\"M 1\": found 'M 1'; wanted letters, digits, '.', '_' and '-' only,"
            " because folders carry this name"
        )
    ]
    assert faults(cell=swapped(CELL, "[artefact.RING1]", '[artefact."RING,1"]')) == [
        (
            "cell.toml:12: artefact.RING,1: found 'RING,1'; wanted printable ASCII without blanks, quotes, brackets"
            " or any of , ; = / \\"
        )
    ]


@pytest.mark.parametrize(
    ("changed", "fault"),
    [
        (
            {"cell": "machine = {}\n" + CELL[: CELL.index("[machine")] + CELL[CELL.index("[artefact") :], "limits": ""},
            "cell.toml:1: machine: found no machine; wanted at least one table such as [machine.M1]",
        ),
        (
            {"plan": HEAD + "feature = []", "limits": ""},
            "parts/4101.toml:4: feature: found no feature; wanted at least one table [[feature]]",
        ),
        (
            {"plan": HEAD + "feature = 5", "limits": ""},
            "parts/4101.toml:4: feature: found 5; wanted a list of tables, each beginning with [[feature]]",
        ),
        (
            {"plan": swapped(PLAN, "tool = 5", "moves = 5")},
            (
                "parts/4101.toml:10: feature[1].moves: found 5;"
                ' wanted registers and ratios such as { "tool 5 radius" = -2 }'
            ),
        ),
        (
            {"cell": swapped(CELL, '"logs/M1"', '"logs\\u0000/M1"')},
            "cell.toml:6: machine.M1.logs: found 'logs\\x00/M1'; wanted a folder",
        ),
        (
            {"cell": swapped(CELL, 'name = "Cell 3"', 'name = "Cell 3"\nstore = "postgresql://u:pw@[h/d"')},
            (
                "cell.toml:3: cell.store: found an address that cannot be understood;"
                ' wanted "sqlite" or "postgresql://user@host/database"'
            ),
        ),
        (
            {"limits": f"[default]\nsettle = 0x{'f' * 6000}"},
            (
                "limits.toml:2: default.settle: found a number beyond all reason;"
                " wanted a whole number of parts, 0 or more"
            ),
        ),
        (
            {"limits": f"[default]\nband = '{'x' * 500}'"},
            f"limits.toml:2: default.band: found '{'x' * 500}'; wanted a share such as \"30 %\"",
        ),
        (
            {"limits": "[default]\nband = 1e99999999999999999999"},
            (
                "limits.toml:1: this is not TOML: the number '1e99999999999999999999' is beyond all reason;"
                " correct the line, or comment it out with #"
            ),
        ),
    ],
)
def test_odd_things_are_answered_with_words_too(changed: dict[str, str], fault: str) -> None:
    """Seldom seen, and no reason for anything but words."""
    assert faults(**changed) == [fault]


def test_rotary_limits_are_angles() -> None:
    """A length means nothing to a rotary offset, and an angle nothing to a linear one."""
    assert faults(limits='[kind.rotary]\nstep = "0.01 mm"\n') == [
        "limits.toml:2: kind.rotary.step: found '0.01 mm' with unit 'mm'; wanted an angle such as \"0.010 deg\""
    ]


def test_two_machines_never_share_a_log_folder() -> None:
    """A log taken for two machines would correct one for the other's wear."""
    second = (
        CELL[CELL.index("[machine.M1]") : CELL.index("[artefact")].replace("M1", "M2").replace("logs/M2", "logs/M1/a")
    )
    assert faults(cell=CELL + second) == [
        (
            "cell.toml:24: machine.M2.logs: found '/cell/logs/M1/a', which M1 has too;"
            " wanted logs of one machine in one folder"
        )
    ]


def test_names_that_differ_only_in_capitals_are_refused() -> None:
    """Logs are read in any case, so b1 and B1 would be the same feature."""
    twins = HEAD + BORE.replace('"12"', '"b1"') + DATUM.replace('"31"', '"B1"')
    assert faults(plan=twins, limits="") == [
        "parts/4101.toml:12: feature[2].id: found 'B1' beside 'b1'; wanted names that differ in more than capitals"
    ]


def test_two_plans_of_one_name_are_refused() -> None:
    """The log's PLAN word must mean one plan."""
    assert faults(**{"parts/z.toml": PLAN}) == [
        "parts/z.toml:1: part: found '4101', which parts/4101.toml has too; wanted a name of its own for each plan"
    ]


def test_a_password_in_the_store_address_is_refused_and_not_repeated() -> None:
    """Files of a cell folder are copied around; passwords must not travel with them, nor appear in messages."""
    for address in ("postgresql://u:s3cret@h/d", "postgresql://u@h/d?password=s3cret", "mysql://u:s3cret@h/d"):
        (fault,) = faults(cell=swapped(CELL, 'name = "Cell 3"', f'name = "Cell 3"\nstore = "{address}"'))
        assert fault == (
            "cell.toml:3: cell.store: found a password in the address;"
            " put it in the environment as TRUEUP_STORE_PASSWORD instead"
        )


def test_broken_toml_is_a_fault_with_its_line() -> None:
    """A slip in the syntax is shown where it stands, in each file."""
    found = faults(cell='[cell]\nname = "Cell 3\n', plan="part = = 1", limits="[default")
    assert [re.sub("TOML: .*;", "TOML: ...;", fault) for fault in found] == [
        "cell.toml:2: this is not TOML: ...; correct the line, or comment it out with #",
        "limits.toml:1: this is not TOML: ...; correct the line, or comment it out with #",
        "parts/4101.toml:1: this is not TOML: ...; correct the line, or comment it out with #",
    ]


def test_all_faults_of_all_files_come_at_once() -> None:
    """Nobody should have to run the check ten times to find ten mistakes."""
    found = faults(
        cell=swapped(swapped(CELL, '"0.001 mm"', "0.001"), '["review"]', '["fly"]'),
        plan=swapped(swapped(PLAN, '"H7"', '"h7"'), 'role = "datum"', 'role = "machined"'),
        limits=swapped(swapped(LIMITS, '"30 %"', "30"), "[kind.work]", "[kind.wrok]"),
        **{"parts/b.toml": "part = 5\nprobed_in = '54'\n[[feature]]\nid = 'a'\n"},
    )
    assert [fault.split(": ")[0] + ": " + fault.split(": ")[1] for fault in found] == [
        "cell.toml:8: machine.M1.least_increment",
        "cell.toml:22: person.op1.may",
        "limits.toml:2: default.band",
        "limits.toml:4: kind.wrok",
        "parts/4101.toml:9: feature[1].tolerance",
        "parts/4101.toml:15: feature[2].role",
        "parts/b.toml:1: part",
        "parts/b.toml:3: feature[1].kind",
        "parts/b.toml:3: feature[1].nominal",
        "parts/b.toml:3: feature[1].tolerance",
    ]


def test_one_section_at_fault_does_not_hide_the_others() -> None:
    """A wrong [person] must not keep a wrong [machine.*] from being shown."""
    found = faults(cell="cell = 1\nmachine = 2\nartefact = { a = 1 }\nperson = []\n", plan="", limits="")
    assert [fault for fault in found if fault.startswith("cell")] == [
        "cell.toml:1: cell: found 1; wanted a table of keys and values",
        "cell.toml:2: machine: found 2; wanted a table of keys and values",
        "cell.toml:3: artefact.a: found 1; wanted a table of keys and values",
        "cell.toml:4: person: found []; wanted a table of keys and values",
    ]


def test_a_fault_in_the_plans_does_not_make_faults_in_the_limits() -> None:
    """While a plan cannot be read, nobody can say that a register of the limits is unknown."""
    assert faults(plan=HEAD) == ["parts/4101.toml:1: feature: is missing; wanted at least one table [[feature]]"]


def test_without_machines_the_plans_and_limits_are_still_checked() -> None:
    """A cell file that cannot be read is the only fault when the rest is sound."""
    (fault,) = faults(cell="[cell", plan=swapped(PLAN, 'probed_in = "54"', 'probed_in = "54"\nmachines = ["M1"]'))
    assert fault.startswith("cell.toml:1: this is not TOML")


def test_a_cell_without_its_file_is_a_fault() -> None:
    """Recorded texts without cell.toml say what is missing."""
    with pytest.raises(ConfigurationError, match=r"cell.toml:1: is missing; wanted the text that names the cell"):
        from_texts(FOLDER, {})


ANY_TOML = st.recursive(
    st.one_of(
        st.sampled_from(
            ["1", "-0.5", "true", "inf", "nan", "1e400", "1e-400", "07:32:00", "1979-05-27", "''", "0x" + "f" * 6000]
        ),
        st.sampled_from(
            ['"25 mm"', '"H7"', '"1e300 mm"', '"nan mm"', '"tool 5 radius"', '"work 54 X"', '"54"', '"+"', '"datum"']
        ),
        st.text(max_size=8).map(lambda text: '"' + re.sub(r'[\x00-\x1f\x7f"\\]', "?", text) + '"'),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda items: f"[{', '.join(items)}]"),
        st.lists(inner, max_size=2).map(
            lambda items: "{" + ", ".join(f"k{i} = {v}" for i, v in enumerate(items)) + "}"
        ),
    ),
    max_leaves=4,
)
ANY_KEY = re.compile(r"^(\S+ = ).*$", re.MULTILINE)
LINES = {name: text.splitlines() for name, text in texts().items()}


@given(st.sampled_from(sorted(LINES)), st.integers(0, 30), ANY_TOML)
def test_any_value_in_any_place_is_a_fault_or_sound_but_never_a_crash(name: str, line: int, value: str) -> None:
    """Whatever somebody types behind a key, the answer is words with a file and a line."""
    lines = LINES[name][:]
    at = line % len(lines)
    lines[at] = ANY_KEY.sub(lambda match: match[1] + value, lines[at])
    for fault in faults(**{name: "\n".join(lines)}):
        assert re.match(r"[\w./]+\.toml:\d+: .+", fault)


@given(st.sampled_from(sorted(LINES)), st.text(max_size=60))
def test_any_text_at_all_is_a_fault_but_never_a_crash(name: str, text: str) -> None:
    """A picture saved under the name of a plan is a fault like any other."""
    for fault in faults(**{name: text}):
        assert re.match(r"[\w./]+\.toml:\d+: .+", fault)


@given(
    st.sampled_from(sorted(LINES)),
    st.lists(st.sampled_from([*chain(*LINES.values()), "[[feature]]", "[a.b]"]), max_size=15),
)
def test_lines_in_any_order_are_a_fault_or_sound_but_never_a_crash(name: str, lines: list[str]) -> None:
    """Pasting at the wrong place is answered with words."""
    for fault in faults(**{name: "\n".join(lines)}):
        assert re.match(r"[\w./]+\.toml:\d+: .+", fault)


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "a = " + "[" * 300 + "]" * 300, "a = " + "9" * 5000, "a." * 3000 + "b = 1"]
)
def test_monstrous_files_are_faults(text: str) -> None:
    """Depth and length beyond reason end in words, too."""
    assert faults(limits=text)
    assert faults(cell=text)


def test_a_file_too_deep_to_be_located_still_names_its_first_line() -> None:
    """The reader of TOML bears a little more depth than the search for the line; the fault must not get lost."""
    findings = Findings(FOLDER, {"limits.toml": "a = " + "[" * 5000})
    findings.at("limits.toml")(("a",), "is wrong")
    assert [str(fault) for fault in findings.faults] == ["/cell/limits.toml:1: a: is wrong"]


def test_a_shop_may_bring_its_own_layout_and_dialect() -> None:
    """A file in layouts/ or dialects/ is known by its name, and its text is kept with the rest."""
    own = swapped(CELL, 'dialect = "g10-memory"', 'dialect = "ours"\nlayout = "mill"')
    extra = {"layouts/mill.toml": "x = 1", "dialects/ours.toml": "y = 2"}
    configuration = cell(cell=own, **extra)
    assert configuration.machines["M1"].layout == "mill"
    assert configuration.machines["M1"].dialect == "ours"
    assert configuration.texts["layouts/mill.toml"] == "x = 1"
