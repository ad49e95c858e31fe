"""Every command's example on the page is run, and prints what the page shows."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

from loft.cli import main

HOUSE = Path(__file__).parent.parent
NUMBER = re.compile(r"-?\d+\.\d+|-?\d+")
HASH = re.compile(r"\b[0-9a-f]{12}\b")


def page_module():
    spec = importlib.util.spec_from_file_location("commands_page", HOUSE / "docs" / "commands.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


page = page_module()
TEXT = page.PAGE.read_text(encoding="utf-8")
SHOWN = {
    block.group(1): block.group(0).split("\n", 2)[2].rsplit("\n```", 1)[0]
    for block in page.BLOCK.finditer(TEXT)
}


@pytest.fixture(scope="module")
def printed():
    words = page.examples(TEXT)
    return dict(zip(words, page.printed(words), strict=True))


def same(shown, said):
    """Return whether words agree letter by letter and figures to one step of their last place.

    Between machines the last figure may turn; a section's hash then does too.
    """
    shown, said = (HASH.sub("HASH", text) for text in (shown, said))
    if NUMBER.sub("#", shown) != NUMBER.sub("#", said):
        return False
    for ours, theirs in zip(NUMBER.findall(shown), NUMBER.findall(said), strict=True):
        places = len(ours.split(".")[1]) if "." in ours else 0
        if abs(float(ours) - float(theirs)) > 1.01 * 10.0**-places:
            return False
    return True


def test_every_command_has_its_example():
    assert sorted(words.split()[0] for words in SHOWN) == sorted(main.commands)


@pytest.mark.parametrize("words", SHOWN)
def test_page_shows_what_the_command_prints(words, printed):
    assert same(SHOWN[words], printed[words]), f"run python docs/commands.py\n{printed[words]}"
    assert printed[words].strip()


def test_comparison_sees_a_difference():
    assert same("± 1.16 mm", "± 1.17 mm")
    assert not same("± 1.16 mm", "± 1.19 mm")
    assert not same("6 frames", "6 frame")
