"""The caution has one home: nobody words it a second time."""

from pathlib import Path

from loft.job.caution import CAUTION, SHAPE_ONLY

ROOMS = Path(__file__).parents[2] / "loft"
HOME = ROOMS / "job" / "caution.py"
LETTERS = {"cli.py", "demo_text.py"}  # running text of a help page and of the demo's README


def test_the_caution_says_what_it_is_not_and_who_decides():
    assert CAUTION.lower().startswith(SHAPE_ONLY)
    for words in ("not approved data", "maker's data", "local rules", "licensed engineer decide"):
        assert words in CAUTION


def test_no_other_module_words_it_again():
    """Docstrings' examples apart, which show a layout and not a file."""
    for path in ROOMS.rglob("*.py"):
        if path != HOME and path.name not in LETTERS:
            code = [
                line
                for line in path.read_text(encoding="utf-8").splitlines()
                if not line.lstrip().startswith((">>>", "...", "["))
            ]
            assert "approved data" not in "\n".join(code), path
