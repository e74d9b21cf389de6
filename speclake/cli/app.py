"""The program `speclake`: its commands, and how their errors reach a person."""

import sys
from importlib.metadata import version
from typing import Annotated

import typer

from speclake.cli import (
    budgets,
    comparing,
    counting,
    explaining,
    finding,
    instruments,
    keeping,
    lookingback,
    people,
    reviewing,
    running,
    specs,
    taking,
)
from speclake.errors import SpeclakeError

DONE, SOMETHING_FAILED, WRONG_USE = 0, 1, 2

app = typer.Typer(
    name="speclake",
    help="Takes in, judges, finds and trends UV-visible-NIR spectra.\n\n"
    "Exit codes: 0 done, 1 something was refused, failed or is damaged, 2 wrong use.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    add_completion=False,
)
for module in (
    running, taking, finding, explaining, specs, budgets, people, counting, instruments, reviewing,
    lookingback, comparing, keeping,
):  # fmt: skip
    module.add_to(app)


def _print_version(asked: bool) -> None:
    if asked:
        typer.echo(version("speclake"))
        raise typer.Exit


@app.callback()
def _program(
    shows_version: Annotated[
        bool, typer.Option("--version", callback=_print_version, is_eager=True)
    ] = False,
) -> None:
    del shows_version


def main() -> None:
    """Run the program; a known error becomes one sentence and an exit code."""
    try:
        app()
    except (SpeclakeError, OSError) as error:
        typer.echo(f"speclake: {error}", err=True)
        is_asked_wrongly = isinstance(error, ValueError | LookupError)
        sys.exit(WRONG_USE if is_asked_wrongly else SOMETHING_FAILED)
