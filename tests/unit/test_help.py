"""Every command explains itself: its purpose, each of its options, each of its own commands."""
from __future__ import annotations

import argparse
from collections.abc import Iterator

import pytest

from assistant import cli
from tests.command import bowlside

Path = tuple[str, ...]


def commands(parser: argparse.ArgumentParser, path: Path = ()) -> Iterator[tuple[Path, argparse.ArgumentParser]]:
    """Every command, as the words that lead to it, with its parser."""
    yield path, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, inner in action.choices.items():
                yield from commands(inner, (*path, name))


@pytest.mark.parametrize("path", [path for path, _ in commands(cli.parser())], ids=" ".join)
def test_every_command_has_help_that_explains_each_option(path: Path) -> None:
    done = bowlside(*path, "--help")
    parser = dict(commands(cli.parser()))[path]
    assert done.code == 0 and done.err == "" and parser.description
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name in action.choices:
                assert name in done.out
            assert {each.dest for each in action._choices_actions if each.help} == set(action.choices)
        else:
            assert action.help, f"{action.dest} is not explained"
            assert (action.option_strings[-1] if action.option_strings else str(action.metavar)) in done.out


def test_the_commands_of_the_contract_are_there() -> None:
    assert {" ".join(path) for path, _ in commands(cli.parser())} >= {
        "run", "practise", "rehearse", "prompts", "hear", "work", "log list", "log show", "log read", "log verify"}
