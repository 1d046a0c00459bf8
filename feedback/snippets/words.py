"""What a control would do with a line: the codes a snippet may contain.

Everything that moves an axis, turns the spindle, changes a tool, calls a program or sets an increment is outside the
list, and so refused.
"""

import re
from collections.abc import Iterable, Iterator
from typing import Final

HARMLESS_CODES: Final = frozenset({"G10", "G11", "G20", "G21", "G90", "M2", "M02", "M30", "M70", "M72"})
"""Set a register, end of setting, inch, mm, absolute, end of program (thrice), keep and restore the modal state."""

_AXES = frozenset("XYZABCUVW")
_WITH_G10 = frozenset("LPRQHD") | _AXES
_COMMENT = re.compile(r"\([^()]*\)|;.*")
_PARAMETER = re.compile(r"#+(?:<[^<>]*>|\d+)")
_EXPRESSION = re.compile(r"\[[^\[\]]*\]")
_WORD = re.compile(r"(?<![A-Za-z_$])([A-Za-z])\s*(?=[-+.\d=])([-+.\d]*)")
_BLOCK = re.compile(r"\s*[oO](\d+|<\w+>)\s*([A-Za-z]+)(.*)")


def faults(line: str) -> Iterator[str]:
    """What is wrong with one executable line, in words."""
    code = _COMMENT.sub(" ", line)
    if "(" in code or ")" in code:
        yield "a parenthesis is not closed, or stands inside another"
    if block := _BLOCK.match(code):
        if block[2].lower() not in ("if", "elseif", "else", "endif"):
            yield f"block word {block[2]!r}; wanted if, elseif, else or endif only"
        return
    yield from _word_faults(_without_expressions(code))


def block_faults(lines: Iterable[str]) -> Iterator[str]:
    """Every `if` without its `endif` and the other way round; an interpreter need not notice."""
    open_blocks: list[str] = []
    for line in lines:
        block = _BLOCK.match(line)
        if block is None:
            continue
        if block[2].lower() == "if":
            open_blocks.append(block[1])
        elif not open_blocks or open_blocks[-1] != block[1]:
            yield f"block {block[1]} has {block[2]} without its if"
        elif block[2].lower() == "endif":
            open_blocks.pop()
    yield from (f"block {name} has no endif" for name in open_blocks)


def _without_expressions(code: str) -> str:
    """`code` with parameters and bracketed expressions replaced by 0, so that only words are left."""
    code = _PARAMETER.sub("0", code)
    while (shorter := _EXPRESSION.sub("0", code)) != code:
        code = shorter
    return code


def _word_faults(code: str) -> Iterator[str]:
    found = [(letter.upper(), value) for letter, value in _WORD.findall(code)]
    sets_register = ("G", "10") in found
    for letter, value in found:
        if letter in "GM":
            if f"{letter}{value}" not in HARMLESS_CODES:
                yield f"{letter}{value} is not one of {', '.join(sorted(HARMLESS_CODES))}"
        elif letter not in _WITH_G10:
            yield f"word {letter}{value} has no place in a snippet"
        elif not sets_register:
            yield f"word {letter}{value} without G10 could move the machine"
