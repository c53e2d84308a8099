"""The colours of every page, plot and screen: named tokens, and nothing else may be used."""

from __future__ import annotations

from dataclasses import dataclass

from regcheck.checks.finding import Verdict


@dataclass(frozen=True, slots=True)
class Token:
    """One named colour for light and dark paper: sRGB hex text, and its number on a 256-colour terminal (None: not used there)."""

    name: str
    light: str
    dark: str
    light_256: int | None = None
    dark_256: int | None = None


# Hues of Okabe and Ito 2008, lightness and chroma our own: text and marks reach WCAG 2.2 AA on paper and band.
PAPER = Token("paper", "#FBFAF7", "#13181B")
BAND = Token("band", "#E2ECF3", "#1F2931")
INK = Token("ink", "#19232B", "#EAE8E0")
SOFT_INK = Token("soft ink", "#4F5A63", "#A5ACB2")
POST = Token("post", "#304B61", "#A0C3DA")
RULE = Token("rule", "#7C8892", "#6B7680")
PASS = Token("pass", "#336B96", "#4D99D3", 25, 32)
FAIL = Token("fail", "#A34600", "#EC803C", 130, 173)
UNDECIDED = Token("undecided", "#5D2747", "#F8B8D9", 89, 218)
UNTESTED = Token("untested", "#66696C", "#8E9194", 242, 246)

TOKENS = (PAPER, BAND, INK, SOFT_INK, POST, RULE, PASS, FAIL, UNDECIDED, UNTESTED)

OF_VERDICT = {Verdict.PASS: PASS, Verdict.FAIL: FAIL, Verdict.UNDECIDED: UNDECIDED, Verdict.UNTESTED: UNTESTED}
