"""``subgrade completion``."""

from __future__ import annotations

import click


@click.command(
    "completion",
    epilog="""
    \b
    Example: complete in every new bash
      subgrade completion bash >> ~/.bashrc
    """,
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]), metavar="SHELL")
def command(shell) -> None:
    """Print the script that lets SHELL complete subgrade's commands and options.

    SHELL is bash, zsh or fish.
    """
    from click.shell_completion import get_completion_class

    from subgrade.cli import cli

    kind = get_completion_class(shell)
    click.echo(kind(cli, {}, "subgrade", "_SUBGRADE_COMPLETE").source())
