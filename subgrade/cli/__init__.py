"""The ``subgrade`` command: one file a subcommand, wiring only."""

from __future__ import annotations

import sys
from importlib import import_module

import click

COMMANDS = {
    "grade": ("subgrade.cli.grade", "Measure, judge and explain a night's light frames."),
    "explain": ("subgrade.cli.explain", "Print why one frame was kept or rejected."),
    "diagnose": ("subgrade.cli.diagnose", "Print what went wrong and what to change next."),
    "review": ("subgrade.cli.review", "Look at the subs in the browser, and mark them."),
    "cull": ("subgrade.cli.cull", "Move the rejects out of the way, into a folder."),
    "restore": ("subgrade.cli.restore", "Bring every culled frame back to its place."),
    "guide": ("subgrade.cli.guide", "Show what was understood of a guiding record."),
    "watch": ("subgrade.cli.watch", "Grade subs as they land, and say when something goes wrong."),
    "simulate": ("subgrade.cli.simulate", "Render a practice night with known causes."),
    "completion": ("subgrade.cli.completion", "Print the shell completion script."),
}
"""Subcommands with their module, loaded when called, and a line of help."""

EXIT_NOTHING, EXIT_USAGE, EXIT_PARTLY, EXIT_NOT_WRITTEN, EXIT_INTERRUPTED = 1, 2, 3, 4, 130
BEGINNINGS = {
    EXIT_NOTHING: "nothing could be graded: ",
    EXIT_NOT_WRITTEN: "the results could not be written: ",
}
"""What stands before an error that ends a command with that code."""


class OutputGone(Exception):
    """Whoever read the output has stopped; click would leave with code 1 for it."""


class LazyGroup(click.Group):
    """A group whose commands are imported when called, so that help comes at once."""

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        from subgrade.cli.completion import complete_words

        command = import_module(COMMANDS[name][0]).command
        complete_words(command)
        return command

    def invoke(self, context: click.Context) -> object:
        try:
            return super().invoke(context)
        except BrokenPipeError as error:
            raise OutputGone from error

    def resolve_command(
        self, context: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            context.fail(f"No such command '{name}'{_meant(name)}")
        return super().resolve_command(context, args)

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


def _meant(name: str) -> str:
    """What a word that is no command may stand for, as the end of a message."""
    import os

    from subgrade.nearest_names import did_you_mean, like

    near = like(name, list(COMMANDS))
    if near is None and os.path.exists(os.path.expanduser(name)):
        near = f"subgrade grade {name}"
    return did_you_mean(near) or f". The commands are {', '.join(COMMANDS)}."


def _version(context: click.Context, parameter: click.Parameter, value: bool) -> None:
    if value and not context.resilient_parsing:
        from subgrade import __version__
        from subgrade.installed import description

        click.echo("\n".join([f"subgrade {__version__}", *description()]))
        context.exit()


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""
    \b
    Example:
      subgrade grade ~/astro/2024-03-08/lights
      subgrade explain subgrade_results light_0042
      subgrade diagnose subgrade_results

    Exit codes: 0 done (rejects are not an error), 1 nothing could be graded, 2 wrong
    usage, 3 done but some files could not be graded or something is missing from the
    results, 4 results or output could not be written, 130 interrupted.
    """,
)
@click.option(
    "--version",
    is_flag=True,
    expose_value=False,
    is_eager=True,
    callback=_version,
    help="Print the version and what is installed, and exit.",
)
def cli() -> None:
    """Grade a night's light frames: measure the stars, keep or reject, explain why."""


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with the exit code of the contract."""
    from subgrade.cli.terminal import finish, prepare_streams

    prepare_streams()
    try:
        code = _run(sys.argv[1:] if arguments is None else arguments)
    except OutputGone:
        code = 0
    except OSError as error:  # only what is printed comes this far
        code = _fail(f"the output could not be written: {error.strerror}", EXIT_NOT_WRITTEN)
    code = code or 0
    lost = finish()
    if lost is not None and code in (0, EXIT_PARTLY):
        code = _fail(f"the output could not be written: {lost}", EXIT_NOT_WRITTEN)
    sys.exit(code)


def _run(arguments: list[str]) -> int | None:
    """The exit code of a command; what an error of the program's own leaves is a bug report."""
    from subgrade.cli.terminal import is_of_output
    from subgrade.errors import SubgradeError

    try:
        return cli.main(arguments, prog_name="subgrade", standalone_mode=False)
    except (click.exceptions.Abort, KeyboardInterrupt):
        return _fail("interrupted", EXIT_INTERRUPTED)
    except click.ClickException as error:
        if isinstance(error, click.NoSuchOption):
            _suggest_long(error, arguments)
        error.show(file=sys.stderr)
        return EXIT_USAGE
    except OutputGone:
        raise
    except SubgradeError as error:
        begins = BEGINNINGS.get(error.exit_code, "")
        return _fail(f"{begins}{error}", error.exit_code)
    except Exception as error:
        if isinstance(error, OSError) and is_of_output(error):
            raise
        return crashed(error, arguments)


def crashed(error: Exception, arguments: list[str], folder: str | None = None) -> int:
    """Say in a line that the program failed, and where what is needed to mend it is.

    The report goes into the results folder where one is given, else among temporary files.
    """
    import traceback
    from contextlib import suppress

    from subgrade.optional_parts import error_words

    place = None
    with suppress(Exception):  # the report must not hide what it reports
        from subgrade.results.bug_report import bug_report, write_somewhere

        crashes = {"the command": "".join(traceback.format_exception(error))}
        place = write_somewhere(bug_report(crashes, {"arguments": arguments}), folder)
    where = f"; what is needed to mend it is in {place}" if place else ""
    return _fail(f"subgrade itself failed: {error_words(error)}{where}", EXIT_NOTHING)


def _suggest_long(error: click.NoSuchOption, arguments: list[str]) -> None:
    """Name the long option meant by one written with a single dash."""
    from subgrade.nearest_names import like

    given = next((a for a in arguments if a.startswith(error.option_name) and a[1:2] != "-"), "")
    if len(given) > 2 and error.ctx is not None:
        known = [o for p in error.ctx.command.params for o in p.opts if o.startswith("--")]
        near = like(f"-{given.split('=')[0]}", known)
        error.possibilities = [near] if near else []


def _fail(text: str, code: int) -> int:
    from contextlib import suppress

    from subgrade.plaintext import printable

    # a frame's name in it must not steer the terminal
    lines = map(printable, text.split("\n"))
    with suppress(OSError):
        click.echo("subgrade: " + "\n".join(lines), err=True)
    return code
