"""The two pages name every command and topic, and nothing that does not exist."""

from __future__ import annotations

import argparse
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from gateway import contract

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("gateway", "ingest", "dashboard", "fleet_demo")
PAGES = ("README.md", "DEVELOPERS.md")
KINDS: tuple[contract.Kind, ...] = ("report", "presence", "receipt", "ask")
COMMAND = re.compile(r"python -m (gateway|ingest|dashboard|fleet_demo)\b([^`\n]*)")


def _parser(package: str) -> argparse.ArgumentParser:
    built = importlib.import_module(f"{package}.__main__").build_parser()
    assert isinstance(built, argparse.ArgumentParser)
    return built


def _subparsers(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def _commands() -> set[tuple[str, str]]:
    """Return (package, subcommand or nothing) of every command that the parsers take."""
    found = set()
    for package in PACKAGES:
        names = _subparsers(_parser(package))
        # The board and the demo also do their job without a subcommand.
        found |= {(package, name) for name in names}
        if not names or package in {"dashboard", "fleet_demo"}:
            found.add((package, ""))
    return found


def _written(page: str) -> Iterator[tuple[str, str, list[str]]]:
    """Yield (package, subcommand or nothing, options) of every command line on a page."""
    for match in COMMAND.finditer((ROOT / page).read_text(encoding="utf-8")):
        words = match[2].split()
        first = words[0] if words and re.fullmatch(r"[a-z][a-z-]*", words[0]) else ""
        yield match[1], first, re.findall(r"--[a-z][a-z-]*", match[2])


def test_the_readme_names_every_command() -> None:
    named = {(package, name) for package, name, _ in _written("README.md")}
    assert _commands() - named == set()


@pytest.mark.parametrize("page", PAGES)
def test_a_page_names_no_command_that_does_not_exist(page: str) -> None:
    assert {(package, name) for package, name, _ in _written(page)} - _commands() == set()


@pytest.mark.parametrize("page", PAGES)
def test_a_page_names_no_option_that_does_not_exist(page: str) -> None:
    unknown = []
    for package, name, options in _written(page):
        parser = _parser(package)
        taken = set(parser._option_string_actions)
        taken |= set(_subparsers(parser).get(name, parser)._option_string_actions)
        unknown += [(package, name, option) for option in options if option not in taken]
    assert unknown == []


@pytest.mark.parametrize("kind", KINDS)
def test_the_developers_page_names_every_topic(kind: contract.Kind) -> None:
    gateway = "gw-0001"
    topic = contract.topic(gateway, kind).replace(gateway, "{gateway}")
    topic = topic.replace(f"/{contract.shard(gateway)}/", "/{shard}/")
    assert f"`{topic}`" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("package", PACKAGES)
def test_every_command_explains_itself(package: str, capsys: pytest.CaptureFixture[str]) -> None:
    parser = _parser(package)
    for one in (parser, *_subparsers(parser).values()):
        with pytest.raises(SystemExit) as left:
            one.parse_args(["--help"])
        assert left.value.code == 0
        assert "usage:" in capsys.readouterr().out


def test_the_readme_says_what_the_tool_is_not() -> None:
    words = " ".join((ROOT / "README.md").read_text(encoding="utf-8").replace(">", " ").split())
    assert "Not an official emissions inspection. The inspection station decides." in words
