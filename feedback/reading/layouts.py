"""Finds the layouts: shipped ones lie beside this module, a shop's own in `layouts/*.toml` of the cell folder.

A layout is called by its file name. Every fault of every file is reported at once.
"""

from pathlib import Path

from feedback.errors import ConfigurationError, Fault
from feedback.reading.layout import Layout, layout

_SHIPPED = Path(__file__).parent / "layouts"


def load_layouts(folder: Path | None) -> dict[str, Layout]:
    """Shipped layouts and the shop's own in `folder`, by name; a folder that is missing holds none.

    Raises ConfigurationError with all faults of all files.
    """
    shipped = {path.stem: path for path in sorted(_SHIPPED.glob("*.toml"))}
    own = sorted(folder.glob("*.toml")) if folder is not None else []
    faults: list[Fault] = []
    layouts: dict[str, Layout] = {}
    for path in [*shipped.values(), *own]:
        if path in own and path.stem in shipped:
            faults.append(Fault(path, 1, "", f"a layout called {path.stem!r} is shipped; choose another file name"))
            continue
        try:
            layouts[path.stem] = layout(path, path.read_text(encoding="utf-8"))
        except ConfigurationError as error:
            faults += error.faults
        except (OSError, UnicodeDecodeError) as error:
            faults.append(Fault(path, 1, "", f"cannot be read: {error}"))
    if faults:
        raise ConfigurationError(faults)
    return layouts
