"""The colours are those of the looks, and no other colour is written anywhere in the room."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import regcheck.report
from regcheck.report.tokens import BAND, PAPER, RULE, TOKENS, Token


def luminance(colour: str) -> float:
    """WCAG 2.2, 'relative luminance'."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, 'contrast ratio'."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("token", [token for token in TOKENS if token not in (PAPER, BAND)], ids=lambda token: token.name)
def test_text_and_marks_reach_aa(token: Token) -> None:
    wanted = 3.0 if token is RULE else 4.5  # WCAG 2.2, 1.4.11 for lines, 1.4.3 for text
    for ground in (PAPER, BAND):
        assert round(contrast(token.light, ground.light), 1) >= wanted
        assert round(contrast(token.dark, ground.dark), 1) >= wanted


def test_no_other_colour_is_written_in_the_room() -> None:
    known = {colour for token in TOKENS for colour in (token.light, token.dark)}
    folder = Path(regcheck.report.__file__).parent
    written = {
        colour
        for file in folder.rglob("*.*")
        if file.suffix != ".pyc"
        for colour in re.findall("#[0-9A-Fa-f]{6}\\b", file.read_text("utf-8"))
    }
    assert written == known
