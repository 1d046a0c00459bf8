"""The trend of one register as columns: for the chart to draw and for the table to say. Pure."""

import math
from collections.abc import Sequence
from functools import partial
from typing import Any
from zoneinfo import ZoneInfo

from feedback.board.times import stamp
from feedback.picture import Mark, Panel
from feedback.signs import visible

SURE = 1.96  # of a normal distribution: 95 %


def columns(panels: Sequence[Panel], marks: Sequence[Mark], zone: ZoneInfo) -> dict[str, Any]:
    """Everything the chart draws, rounded to a place more than is told; None where there is nothing."""
    if not panels:
        return {"parts": [], "times": [], "doubts": [], "features": [], "marks": []}
    first = panels[0]
    return {
        "parts": [visible(part) for part in first.parts],
        "times": [stamp(at_us, zone) for at_us in first.at_us],
        "doubts": [visible(words) for words in first.doubts],
        "features": [_feature(panel) for panel in panels],
        "marks": [{"at": mark.index, "words": visible(mark.words)} for mark in marks],
    }


def _feature(panel: Panel) -> dict[str, Any]:
    spread = list(zip(panel.level, panel.spread, strict=True))
    known = partial(_known, places=panel.places + 1)
    return {
        "title": visible(panel.title),
        "unit": panel.unit,
        "places": panel.places,
        "readings": [None if wild else known(value) for value, wild in zip(panel.readings, panel.wild, strict=True)],
        "wild": [known(value) if wild else None for value, wild in zip(panel.readings, panel.wild, strict=True)],
        "level": [known(value) for value in panel.level],
        "low": [known(value - SURE * sd) for value, sd in spread],
        "high": [known(value + SURE * sd) for value, sd in spread],
        "lower": known(panel.lower),
        "upper": known(panel.upper),
        "target": known(panel.target),
        "band": known(panel.band),
        "guard": known(panel.guard),
    }


def _known(value: float, places: int) -> float | None:
    return round(value, places) + 0.0 if math.isfinite(value) else None


def table(shown: dict[str, Any]) -> list[dict[str, Any]]:
    """The same as rows, newest part first, for eyes and for screen readers."""
    happened: dict[int, list[str]] = {}
    for mark in shown["marks"]:
        happened.setdefault(mark["at"], []).append(mark["words"])
    rows = []
    for i, part in enumerate(shown["parts"]):
        cells = [_cell(feature, i) for feature in shown["features"]]
        words = [*happened.get(i, ()), *([shown["doubts"][i]] if shown["doubts"][i] else [])]
        rows.append({"part": part, "at": shown["times"][i], "cells": cells, "words": "; ".join(words)})
    return rows[::-1]


def _cell(feature: dict[str, Any], i: int) -> str:
    reading, wild = feature["readings"][i], feature["wild"][i]
    if wild is not None:
        return f"{wild:+.{feature['places']}f}, not believed"
    return "" if reading is None else f"{reading:+.{feature['places']}f}"
