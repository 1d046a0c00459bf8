"""A cell folder as it comes from disk."""

import os
from decimal import Decimal
from pathlib import Path

import pytest

from feedback.configuration.facts import Configuration
from feedback.configuration.loading import from_texts, load
from feedback.configuration.materials import CTE_PER_K, expansion_of
from feedback.configuration.tables import SHIPPED_DIALECTS, SHIPPED_LAYOUTS
from feedback.errors import ConfigurationError
from feedback.reading.layouts import load_layouts
from feedback.snippets.dialects import load_dialects
from tests.configuration.cells import CELL, HEAD, PLAN, SOUND, Bare, cell, feature, with_features


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name, text in SOUND.items():
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return tmp_path


def test_a_folder_and_its_recorded_texts_are_the_same_configuration(folder: Path) -> None:
    """A year later, the history alone gives back the configuration that was in force."""
    loaded = load(folder)
    again = from_texts(folder, loaded.texts)
    assert again == loaded
    assert again.digest == loaded.digest
    assert dict(loaded.texts) == dict(SOUND)


def test_the_digest_changes_with_any_text(folder: Path) -> None:
    """Whoever touches a limit touches the digest."""
    before = load(folder).digest
    (folder / "limits.toml").write_text(SOUND["limits.toml"] + "# later\n")
    assert load(folder).digest != before


def test_log_folders_are_absolute_and_need_not_exist(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A network share may be away when the cell is read, and may lie anywhere."""
    (folder / "cell.toml").write_text(CELL.replace('"logs/M1"', '["logs/M1", "/mnt/share/M1"]'))
    monkeypatch.chdir(folder)
    assert load(Path()).machines["M1"].logs == (folder / "logs/M1", Path("/mnt/share/M1"))


def test_files_from_other_editors_are_read(folder: Path) -> None:
    """A byte order mark and carriage returns are no fault of the shop's."""
    (folder / "parts/4101.toml").write_bytes(b"\xef\xbb\xbf" + PLAN.replace("\n", "\r\n").encode())
    assert list(load(folder).plans) == ["4101"]


def test_text_in_another_encoding_is_a_fault_with_its_line(folder: Path) -> None:
    """The line that holds the odd byte is named; the other files are checked all the same."""
    (folder / "parts/4101.toml").write_bytes('part = "4101"\n# \xb5m\n'.encode("latin-1"))
    (folder / "limits.toml").write_text('[default]\nband = "x"\n')
    with pytest.raises(ConfigurationError) as error:
        load(folder)
    assert [str(fault).removeprefix(f"{folder}/") for fault in error.value.faults] == [
        "limits.toml:2: default.band: found 'x'; wanted a share such as \"30 %\"",
        "parts/4101.toml:2: found byte 0xb5; wanted text saved as UTF-8",
    ]


def test_a_folder_that_is_no_cell_says_how_to_start_one(tmp_path: Path) -> None:
    """Somebody in the wrong folder is told so."""
    for nowhere in (tmp_path, tmp_path / "not there"):
        with pytest.raises(ConfigurationError) as error:
            load(nowhere)
        assert str(error.value) == (
            f"{nowhere}/cell.toml:1: there is no such file; wanted a cell folder; start one with `trueup new`"
        )


def test_a_file_that_cannot_be_opened_is_a_fault(folder: Path) -> None:
    """A folder where a file should be, or a locked file, is answered with words."""
    os.mkdir(folder / "parts/odd.toml")  # noqa: PTH102
    with pytest.raises(ConfigurationError, match=r"parts/odd.toml:1: cannot be read \(Is a directory\)"):
        load(folder)


def test_values_arrive_exactly() -> None:
    """Certificates keep every digit; percentages, hours and degrees become what the rules count in."""
    configuration: Configuration = cell()
    ring = configuration.artefacts["RING1"]
    assert (ring.size_mm, ring.cte_per_k, ring.due_s, ring.due_parts) == (
        Decimal("40.00062"),
        Decimal("11.5e-6"),
        Decimal(28800),
        None,
    )
    machine = configuration.machines["M1"]
    assert (machine.layout, machine.lag, machine.repeatability_mm, machine.time_zone.key) == (
        "pairs",
        1,
        None,
        "Europe/Lisbon",
    )
    assert configuration.people["op1"].may == {"review"}
    plan = configuration.plans["4101"]
    assert (plan.cte_per_k, plan.probed_in, plan.machines) == (Decimal("23.6e-6"), "54", None)
    bore = plan.features["12"]
    assert (bore.name, bore.nominal, bore.lower, bore.upper) == (
        "bearing bore",
        Decimal(25),
        Decimal(0),
        Decimal("0.021"),
    )


def test_inches_are_exact() -> None:
    """One inch is 25.4 mm, and a shop in inches never meets a rounded millimetre."""
    inch = CELL.replace('unit = "mm"', 'unit = "inch"').replace('"0.001 mm"', '"0.0001 in"')
    bore = feature("12", kind="bore", tool=5, nominal="1 in", tolerance=Bare('["0 in", "+0.0016 in"]'))
    configuration = cell(cell=inch, plan=HEAD + bore, limits='[default]\nstep = "0.0008 in"\n')
    assert configuration.machines["M1"].least_increment_mm == Decimal("0.00254")
    read = configuration.plans["4101"].features["12"]
    assert (read.nominal, read.lower, read.upper) == (Decimal("25.4"), Decimal(0), Decimal("0.04064"))
    assert configuration.limits.default.step_um == 20.32


def test_a_tolerance_need_not_hold_the_nominal_size() -> None:
    """A press fit lies wholly on one side."""
    (plan,) = with_features(feature(kind="bore", tool=5, tolerance="P7")).plans.values()
    assert (plan.features["1"].lower, plan.features["1"].upper) == (Decimal("-0.035"), Decimal("-0.014"))


def test_a_store_address_without_password_is_kept() -> None:
    """The password is the environment's business."""
    address = "postgresql://trueup@/cell?host=/run/pg"
    text = CELL.replace('name = "Cell 3"', f'name = "Cell 3"\nstore = "{address}"')
    assert cell(cell=text).store == address


def test_shipped_layouts_and_dialects_are_those_the_check_knows() -> None:
    """A name that the check accepts can be read and written."""
    assert set(load_layouts(None)) == set(SHIPPED_LAYOUTS)
    assert set(load_dialects(None)) == set(SHIPPED_DIALECTS)


# Callister, Materials Science and Engineering, appendix B, table B.6; ASM, Thermal Properties of Metals, table 2.2
# (carbide); JCGM 100:2008 annex H.1 (gauge steel). In 1e-6 per degree.
PUBLISHED = {
    "steel 1040": "11.3",
    "steel 4140": "12.3",
    "gauge steel": "11.5",
    "stainless 304": "17.2",
    "stainless 440A": "10.2",
    "grey iron G3000": "11.4",
    "aluminium 6061": "23.6",
    "aluminium 7075": "23.4",
    "free-cutting brass C36000": "20.5",
    "Ti-6Al-4V": "8.6",
    "Inconel 625": "12.8",
    "Invar": "1.6",
    "carbide 94WC-6Co": "4.3",
    "carbide 84WC-16Co": "5.8",
}


@pytest.mark.parametrize(("material", "published"), PUBLISHED.items())
def test_materials_expand_as_published(material: str, published: str) -> None:
    """The part's expansion decides how a warm reading is brought to 20 degC."""
    assert expansion_of(material) * 1_000_000 == Decimal(published)


def test_material_names_are_read_as_people_write_them() -> None:
    """Capitals, blanks and the other spelling of aluminium mean the same."""
    assert expansion_of("  Aluminum   6061 ") == CTE_PER_K["aluminium 6061"]


def test_a_warm_aluminium_part_reads_as_much_larger_as_the_trade_says() -> None:
    """100 mm of aluminium at 25 degC reads about 12 um large (common practice)."""
    assert abs(float(expansion_of("aluminium 6061")) * 100e3 * 5 - 12) < 0.5
