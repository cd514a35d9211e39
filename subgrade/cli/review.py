"""``subgrade review``."""

from __future__ import annotations

import click

from subgrade.cli.option_types import Number, number_option


@click.command("review")
@click.argument("results", metavar="RESULTS")
@number_option(
    "--port", Number(1, 65535, whole=True), metavar="N", text="Port; any free one if not given."
)
@click.option("--no-open", is_flag=True, help="Do not open the browser.")
def command(results: str, port: int | None, no_open: bool) -> None:
    """Look at the subs of RESULTS in the browser, and mark them.

    RESULTS is the --out folder of an earlier grade.
    """
    from subgrade.reopening import reopen
    from subgrade.review.night import ReviewedNight
    from subgrade.review.server import serve

    night = reopen(results)

    def started(address: str) -> None:
        click.echo(address)
        if not no_open:
            import webbrowser

            webbrowser.open(address)

    serve(ReviewedNight(night.graded, {}), port or 0, started)
