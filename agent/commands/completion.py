"""`shotgram completion`: a script that completes commands, options and files in a shell (made by shtab)."""

from __future__ import annotations

import argparse
from pathlib import Path

import shtab

SHELLS = ("bash", "zsh", "fish")


def configure(parser: argparse.ArgumentParser) -> None:
    """Arguments of `shotgram completion`."""
    parser.add_argument("shell", choices=SHELLS, help="the shell you type in")
    parser.epilog = """\
examples:
  shotgram completion bash > ~/.local/share/bash-completion/completions/shotgram
  shotgram completion zsh > ~/.zfunc/_shotgram
      with fpath=(~/.zfunc $fpath) before compinit in ~/.zshrc
  shotgram completion fish > ~/.config/fish/completions/shotgram.fish
"""


def run(args: argparse.Namespace) -> int:
    """Print the script."""
    from agent.commands.main import COMMANDS, parser_for

    parser = parser_for(list(COMMANDS))
    for name, command in parser.commands().items():
        for action in command.arguments():
            if action.type is Path or (name, action.dest) == ("replay", "capture"):
                setattr(action, "complete", shtab.FILE)  # noqa: B010  where shtab looks for it
    print(shtab.complete(parser, args.shell))
    return 0
