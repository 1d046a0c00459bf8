"""How one kind of control wants a register to be set: templates and facts."""

from collections.abc import Mapping
from typing import Annotated, Literal, cast

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from feedback.registers import Register
from feedback.snippets import fields

Family = Literal["tool_length", "tool_radius", "tool_x", "tool_z", "work", "rotary"]
Line = Annotated[str, StringConstraints(pattern=r"^[ -~]*$")]
System = Annotated[str, StringConstraints(pattern=f"^(?:{fields.SYSTEM_SHAPE}|L\\d{{1,2}} P\\*|P\\*)$")]


def family(register: Register) -> Family:
    """The kind of template that writes `register`."""
    return cast(Family, f"tool_{register.axis}" if register.kind == "tool" else register.kind)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class CommentMarks(_Table):
    """What opens and closes a comment; `close` is empty where a comment runs to the end of its line."""

    open: Annotated[Line, StringConstraints(min_length=1)]
    close: Line


class Units(_Table):
    """What states the unit of lengths, for example a G code."""

    mm: Annotated[str, StringConstraints(pattern="^[A-Za-z0-9]+$")]
    inch: Annotated[str, StringConstraints(pattern="^[A-Za-z0-9]+$")]


class Decimals(_Table):
    """Most digits after the point that may be written."""

    mm: Annotated[int, Field(ge=0, le=6)]
    inch: Annotated[int, Field(ge=0, le=6)]
    deg: Annotated[int, Field(ge=0, le=6)]


class Dialect(_Table):
    """One dialect. The lines of a snippet are: begin, comments, guard, before, write, after, end."""

    name: str
    summary: str
    suffix: Annotated[str, StringConstraints(pattern=r"^\.[a-z0-9]{1,8}$")]
    for_hand_entry: bool = False
    characters: str
    longest_line: Annotated[int, Field(ge=40, le=200)]
    radius_word: Literal["as stored", "radius", "diameter"] = "as stored"
    comment: CommentMarks
    units: Units
    decimals: Decimals
    systems: Mapping[str, System] = {}
    parameters: Mapping[str, Annotated[int, Field(ge=1)]] = {}
    begin: tuple[Line, ...] = ()
    guard: Mapping[Family, tuple[Line, ...]] = {}
    before: tuple[Line, ...] = ()
    write: Annotated[Mapping[Family, tuple[Line, ...]], Field(min_length=1)]
    after: tuple[Line, ...] = ()
    end: tuple[Line, ...] = ()
    notes: Mapping[Family | Literal["all"], tuple[Line, ...]] = {}
    refuse: Mapping[Family, str] = {}

    def executed(self, kind: Family) -> tuple[str, ...]:
        """The templates of every line that is not a comment, in order, for one family of registers."""
        return (*self.begin, *self.guard.get(kind, ()), *self.before, *self.write[kind], *self.after, *self.end)

    @property
    def fields(self) -> Mapping[str, str]:
        """The fields that may stand in an executed line, with the shapes of their values."""
        extra = fields.HAND_ENTRY_FIELDS if self.for_hand_entry else {}
        return {**fields.EXECUTABLE_FIELDS, **extra, "unit_code": f"{self.units.mm}|{self.units.inch}"}

    def system(self, owner: str) -> str | None:
        """The words that name a coordinate system such as "work 54.1 P3"; None: this dialect has none for it."""
        name = owner.removeprefix("work ")
        base, _, number = name.partition(" P")
        return (
            self.systems.get(name)
            or (self.systems.get(f"{base} P*", "").replace("*", number) if number else "")
            or None
        )
