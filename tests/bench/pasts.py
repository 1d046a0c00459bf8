"""Long pasts of a shop with steady wear, hand corrections and edges changed on time, filtered as live."""

import time
from concurrent.futures import ProcessPoolExecutor
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np

from feedback.configuration.facts import Group, Machine
from feedback.configuration.groups import groups
from feedback.configuration.loading import from_texts
from feedback.follow import Happening, PartSeen, RegisterSeen, ToolSeen
from feedback.replay.following import followed
from feedback.replay.lanes import Lanes, lanes_of
from tests.bench.shop import CORRECT_EVERY, PLAN, READINGS_A_PART, TOOL_LIFE, WEAR_UM, cell_text

NOISE_UM = (1.2, 1.2, 1.5, 3.0, 3.0)
SECOND_US = 1_000_000


def pasts(machines: int, parts: int) -> tuple[list[Lanes], float, float]:
    """The lanes of all machines; seconds of filtering and of the columns, summed over two processes."""
    with ProcessPoolExecutor(2) as pool:
        done = list(pool.map(past_of, range(machines), [parts] * machines))
    return [one for lanes, _, _ in done for one in lanes], sum(s for _, s, _ in done), sum(s for _, _, s in done)


def past_of(number: int, parts: int) -> tuple[list[Lanes], float, float]:
    """One machine's lanes with the seconds they took."""
    machine, some = _plan()
    told = [(group, _happenings(group, parts, number)) for group in some]
    numbers = {part: part for part in range(parts)}
    began = time.perf_counter()
    found = [followed(group, machine, happenings, numbers, ()) for group, happenings in told]
    filtered = time.perf_counter()
    lanes = [lanes_of(past, SECOND_US, parts * SECOND_US) for past in found if past is not None]
    return lanes, filtered - began, time.perf_counter() - filtered


def _plan() -> tuple[Machine, list[Group]]:
    texts = {"cell.toml": cell_text(["M1"]), "parts/7001.toml": PLAN}
    configuration = from_texts(Path("cell"), texts)
    return configuration.machines["M1"], [group for group in groups(configuration, "M1") if group.registers]


def _happenings(group: Group, parts: int, seed: int) -> list[Happening]:
    """What `tests.bench.shop` prints of one group: wear, a hand correction every so often, edges changed on time."""
    noise = np.random.default_rng(seed).normal(0, NOISE_UM, (parts, READINGS_A_PART))
    use = np.arange(parts) % TOOL_LIFE
    lost = np.stack([WEAR_UM * (use + 1), WEAR_UM / 2 * (use + 1)], axis=1)
    entered = -np.round(lost[np.maximum(0, np.arange(parts) - use % CORRECT_EVERY - 1)])
    held = np.where((use >= CORRECT_EVERY)[:, None], entered, 0.0)
    off = lost + held
    read = np.stack([10.5 - 2 * off[:, 0], 12.5 - 2 * off[:, 0], off[:, 1], 0 * use, 0 * use], axis=1) + noise
    columns = [int(feature.id) - 1 for feature in group.features]
    found: list[Happening] = []
    for part in range(parts):
        at_us = (part + 1) * SECOND_US
        if part and use[part] == 0:
            found += [ToolSeen(tool=r.tool, at_us=at_us - 1, source="") for r in group.registers if r.tool is not None]
        found += [
            RegisterSeen(register=r, value=_mm(held[part], str(r)), at_us=at_us, source="") for r in group.registers
        ]
        deviations = {f.key: float(read[part, c]) for f, c in zip(group.features, columns, strict=True)}
        found.append(PartSeen(part_id=part, part=str(part), at_us=at_us, deviations=deviations))
    return found


def _mm(held_um: Any, name: str) -> Any:
    column = {"tool 5 radius": 0, "tool 7 length": 1}.get(name)
    return Decimal(0) if column is None else Decimal(int(held_um[column])) / 1000
