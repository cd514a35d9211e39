"""The script of ``subgrade completion``, and the words that a shell completes."""

from __future__ import annotations

import csv
from pathlib import Path

import click
from click.shell_completion import CompletionItem, get_completion_class


class _PathText(click.types.StringParamType):
    """A path as text: a shell completes files, and checks are made by the command."""

    def shell_complete(
        self, context: click.Context, parameter: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        return [CompletionItem(incomplete, type="file")]


class _FrameText(click.types.StringParamType):
    """A frame of the results named before it: a shell completes those of its table."""

    def shell_complete(
        self, context: click.Context, parameter: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        table = Path(context.params.get("results") or "").expanduser() / "summary.csv"
        try:
            with table.open(newline="", encoding="utf-8") as file:
                names = [row["frame"] for row in csv.DictReader(file)]
        except (OSError, ValueError, KeyError):
            return []
        return [CompletionItem(name) for name in names if name.startswith(incomplete)]


def complete_words(command: click.Command) -> None:
    """Have a shell complete a command's frames and paths: it asks us for paths, too."""
    for parameter in command.params:
        if isinstance(parameter.type, click.types.StringParamType):
            parameter.type = _FrameText() if parameter.name == "frame" else _PathText()


@click.command(
    "completion",
    epilog="""
    \b
    Example: complete in every new bash
      subgrade completion bash >> ~/.bashrc
    """,
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]), metavar="SHELL")
def command(shell: str) -> None:
    """Print the script that lets SHELL complete subgrade's commands and options.

    SHELL is bash, zsh or fish.
    """
    from subgrade.cli import cli

    kind = get_completion_class(shell)
    click.echo(kind(cli, {}, "subgrade", "_SUBGRADE_COMPLETE").source())
