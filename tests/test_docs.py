"""The guide's links lead somewhere, its pictures exist, its commands are the program's own."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import click
import pytest

from loft.cli import main

HOUSE = Path(__file__).parent.parent
DOCS = HOUSE / "docs"
PAGES = sorted([HOUSE / "README.md", *DOCS.glob("*.md")])
LINK = re.compile(r"(!?)\[([^\]]*)\]\(([^)\s]+)\)")
TYPED = re.compile(r"^(?: {4}|\$ )(?:\.venv/bin/)?loft (.+?)(?:\s+#.*)?$", re.MULTILINE)


def links(page):
    return [(mark, words, to) for mark, words, to in LINK.findall(page.read_text("utf-8"))]


def test_a_broken_link_is_seen(tmp_path):
    page = tmp_path / "page.md"
    page.write_text("![a](b.png) and [c](d.md#e)")
    assert links(page) == [("!", "a", "b.png"), ("", "c", "d.md#e")]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_link_leads_to_a_file(page):
    for mark, words, to in links(page):
        if "://" not in to and not to.startswith("#"):
            assert (page.parent / to.split("#")[0]).exists(), f"{page.name}: {to}"
        assert words.strip(), f"{page.name}: {to} has no words"
        assert not mark or "://" not in to, "a picture from elsewhere"


def test_the_index_names_every_page_and_the_gallery_every_picture():
    named = {to for _, _, to in links(DOCS / "index.md")}
    assert {page.name for page in DOCS.glob("*.md")} - {"index.md"} <= named
    shown = {to for mark, _, to in links(DOCS / "gallery.md") if mark}
    assert shown == {f"pictures/{path.name}" for path in (DOCS / "pictures").glob("*.png")}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_that_are_shown_can_be_typed(page):
    for words in TYPED.findall(page.read_text("utf-8")):
        name, *rest = shlex.split(words)
        command = main.commands[name]
        command.make_context(name, list(rest), parent=click.Context(main))


@pytest.mark.parametrize("name", ["engineer.md", "fabricator.md", "survey-team.md"])
def test_each_role_is_told_what_it_is_not_and_shown_commands(name):
    text = " ".join((DOCS / name).read_text("utf-8").split())
    for words in ("not approved data", "local rules", "engineer"):
        assert words in text.lower()
    if name != "survey-team.md":
        assert len(TYPED.findall((DOCS / name).read_text("utf-8"))) >= 3
