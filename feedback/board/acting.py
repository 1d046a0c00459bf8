"""What all forms that act have in common: a person, a PIN, and a page that says what is in the way of them."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from feedback.board.access import RefusedError
from feedback.board.desk import Desk, address_of, desk_of, form_of, page
from feedback.errors import TrueupError, UsageError

Typed = dict[str, str]


@dataclass(frozen=True, slots=True)
class Form:
    """A form that this board gave to this browser, as it was filled in, and where it came from."""

    desk: Desk
    typed: Mapping[str, str]
    address: str

    def field(self, name: str) -> str:
        """What was typed there, "" for nothing."""
        return self.typed.get(name, "").strip()

    def person(self, does: str) -> str:
        """Who acts. UsageError when nobody of cell.toml was chosen."""
        person = self.field("person")
        if person not in self.desk.source.cell().configuration.people:
            raise UsageError(f"found no person; nothing was changed; say who {does}")
        return person

    def reason(self, needed: str, say: str = "it in a few words") -> str:
        """Why. UsageError when no reason was given."""
        if not self.field("words"):
            raise UsageError(f"{needed} a reason; nothing was changed; say {say}")
        return self.field("words")

    def check_pin(self) -> None:
        """RefusedError unless the PIN is the person's. The last thing that is looked at: a try counts."""
        self.desk.access.check(self.field("person"), self.typed.get("pin", ""), self.address, self.desk.now_s)


async def acted(
    request: Request, act: Callable[[Form], None], template: str, seen: Callable[[Typed], dict[str, Any]], then: str
) -> Response:
    """Let `act` do what the form asks and go on to the page `then`.

    What is refused changes nothing: `template` comes back with what is `seen` and all that was typed but the PIN.
    """
    desk, typed = desk_of(request), Typed()
    try:
        typed = await form_of(request)
        await run_in_threadpool(act, Form(desk, typed, address_of(request)))
    except TrueupError as error:
        status = error.status if isinstance(error, RefusedError) else 409
        shown = await run_in_threadpool(seen, typed)
        return page(request, template, status, **{**shown, "refused": str(error), "typed": typed})
    await desk.live.look()
    return RedirectResponse(then, 303)
