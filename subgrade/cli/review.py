"""``subgrade review``."""

from __future__ import annotations

import os
from contextlib import suppress
from importlib.util import find_spec

import click

from subgrade.cli import EXIT_PARTLY
from subgrade.cli.option_types import Number, number_option
from subgrade.plaintext import printable

NEEDED = ("starlette", "uvicorn")
LOCK = "review.lock"


@click.command(
    "review",
    epilog="""
    \b
    Example: grade a night, then look at its subs
      subgrade grade ~/astro/m31/lights --out ~/astro/m31/graded
      subgrade review ~/astro/m31/graded
    \b
    On a machine without a screen: open the address that is printed, over ssh -L
      subgrade review ~/astro/m31/graded --port 8765 --no-open

    Marks are kept as they are made, and the files in RESULTS follow them. Ctrl-C ends it.
    The server answers this machine only; the subs are only read.
    """,
)
@click.argument("results", metavar="RESULTS")
@number_option(
    "--port",
    Number(0, 65535, whole=True),
    metavar="N",
    text="Port to listen on; any free one if 0 or not given.",
)
@click.option("--no-open", is_flag=True, help="Print the address and do not open the browser.")
@click.pass_context
def command(context: click.Context, results: str, port: int | None, no_open: bool) -> None:
    """Look at the subs of RESULTS at full size in the browser, and mark them.

    RESULTS is the --out folder of an earlier grade. The page is its report with every sub to
    look at, beside the best of its group; verdicts and lists follow your marks at once.
    """
    _check_parts()
    from subgrade.cli.progress import LineProgress
    from subgrade.moving import locked
    from subgrade.results.read import must_be_results, open_results

    folder = os.path.abspath(must_be_results(results))
    with locked(folder, LOCK, "review"):
        # paths that the run was given are relative to where it ran
        with suppress(OSError):
            os.chdir(open_results(folder).record.get("run_in") or os.curdir)
        from subgrade.reopening import reopen
        from subgrade.review.server import review

        opened = reopen(folder, LineProgress())
        problem = review(opened, port or 0, lambda address, _: _begun(address, not no_open))
    if problem:
        click.echo(f"subgrade: {printable(problem)}", err=True)
        context.exit(EXIT_PARTLY)


def _begun(address: str, opens: bool) -> None:
    click.echo(address)
    click.echo("Ctrl-C ends the review; marks are kept as they are made.", err=True)
    if opens:
        import webbrowser
        from threading import Thread

        # some browsers are waited for
        Thread(target=webbrowser.open, args=(address,), daemon=True).start()


def _check_parts() -> None:
    """Make sure that what the server is made with is there.

    Raises
    ------
    UsageError
    """
    from subgrade.errors import UsageError

    missing = [name for name in NEEDED if find_spec(name) is None]
    if missing:
        raise UsageError(f'review needs {" and ".join(missing)}: pip install "subgrade[review]"')
