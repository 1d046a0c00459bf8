"""The package as it is installed elsewhere: everything is in it, and it runs without the checkout."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PIP = (sys.executable, "-m", "pip", "--disable-pip-version-check", "-q")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from the checkout."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [*PIP, "wheel", "--no-deps", "--no-build-isolation", "-w", str(folder), str(ROOT)], check=True, timeout=120
    )
    (built,) = folder.glob("trueup-*.whl")
    return built


@pytest.fixture(scope="module")
def names(wheel: Path) -> set[str]:
    """What lies in the wheel."""
    with zipfile.ZipFile(wheel) as package:
        return set(package.namelist())


def kept(folder: Path) -> set[Path]:
    """The files of a folder that git keeps or would keep."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z", "--", str(folder)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return {path for name in listed.stdout.split("\0") if name and (path := ROOT / name).is_file()}


@pytest.mark.parametrize("package", ["feedback", "rules"])
def test_every_file_of_the_packages_is_in_the_wheel(package: str, names: set[str]) -> None:
    """Layouts, dialects and the type marker travel with the code."""
    wanted = {path.relative_to(ROOT).as_posix() for path in kept(ROOT / package)}
    assert {f"{package}/py.typed"} <= wanted
    assert wanted <= names


def test_what_is_no_code_is_in_the_wheel(names: set[str]) -> None:
    """The shipped layouts and dialects are there by name."""
    assert {"feedback/reading/layouts/pairs.toml", "feedback/reading/layouts/columns.toml"} <= names
    shipped = {f"feedback/snippets/shipped/{name}.toml" for name in ("g10-memory", "rs274", "sheet")}
    assert shipped <= names


def test_every_sample_is_in_the_wheel(names: set[str]) -> None:
    """Each sample cell travels whole, so that the demo works where there is no checkout."""
    samples = ROOT / "sample_logs"
    wanted = {f"feedback/samples/{path.relative_to(samples).as_posix()}" for path in kept(samples)}
    assert len(wanted) > 40
    assert wanted <= names


def test_nothing_else_is_in_the_wheel(names: set[str]) -> None:
    """No tests, no stores and no caches are delivered."""
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.startswith("trueup-")} == {"feedback", "rules"}
    assert not [name for name in names if "__pycache__" in name or "/state/" in name]


def test_the_wheel_runs_without_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """Installed into an empty folder, the demo goes all the way from the log to the snippet."""
    target = tmp_path / "site"
    subprocess.run([*PIP, "install", "--no-deps", "--target", str(target), str(wheel)], check=True, timeout=120)
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(target)}

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, *words],
            cwd=elsewhere,
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    where = run("-c", "import feedback, rules; print(feedback.__file__, rules.__file__)")
    assert where.stdout.count(str(target)) == 2, where
    demo = run(str(target / "bin" / "trueup"), "demo", "--into", "demo")
    assert (demo.returncode, demo.stderr) == (0, "")
    assert "G10 L13 P5" in demo.stdout
    assert [path.suffix for path in (elsewhere / "demo" / "reports").iterdir()] == [".svg"]
