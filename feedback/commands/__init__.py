"""The command line: thin shells, one file per command, loaded only when asked for."""

import importlib
import os
import sys
from pathlib import Path
from typing import Any

import click

from feedback.errors import TrueupError

# BLAS threads cost more than they give on matrices this small, up to seven times on a busy machine (measured).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

COMMANDS = (
    "new",
    "check",
    "read",
    "process",
    "watch",
    "status",
    "show",
    "accept",
    "reject",
    "release",
    "snippet",
    "history",
    "verify",
    "probe",
    "replay",
    "tune",
    "report",
    "board",
    "demo",
)


class _Commands(click.Group):
    """Finds commands by module name, so that `trueup status` never imports what only `trueup process` needs."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  # click's own signature
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"feedback.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            import difflib

            close = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f" Did you mean {close[0]!r}?" if close else f" Commands: {', '.join(COMMANDS)}."
            raise click.UsageError(f"There is no command {args[0]!r}.{hint}", ctx) from error

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            # The reader of a pipe has gone (trueup history | head): not our failure, and nothing left to tell it.
            # Caught here because click itself would end with 1.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(0)


@click.command(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.option(
    "--cell",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path(),
    show_default="the present folder",
    help="The cell folder (the one holding cell.toml).",
)
@click.version_option(package_name="trueup", message="trueup %(version)s")
@click.pass_context
def program(ctx: click.Context, folder: Path) -> None:
    """Reads the probe logs of a machining cell and proposes small bounded corrections for a person to review.

    Nothing is ever sent to a machine. Exit codes: 0 done, 1 failed, 2 usage or configuration, 3 done and a person
    should look.
    """
    ctx.obj = folder


def main() -> None:
    """Entry point of the `trueup` command."""
    try:
        # A command that ends by `Context.exit` hands its exit code back here.
        sys.exit(program(standalone_mode=False, prog_name="trueup") or 0)
    except click.exceptions.Abort:
        sys.exit("trueup: interrupted")
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except TrueupError as error:
        click.echo(f"trueup: {error}", err=True)
        sys.exit(error.exit_code)
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"trueup: {where}{error.strerror or error}; wanted to use it; see who may", err=True)
        sys.exit(1)
