"""What every page of ours has in common: one style of the tokens, a policy that lets nothing else in, marks, and text that stays text."""

from __future__ import annotations

import base64
import hashlib
from importlib.resources import files
from typing import Any

from regcheck.checks.finding import Verdict
from regcheck.report.svg import colours, slab, word_mark
from regcheck.report.words import printable

HEAD_SCRIPT = "document.documentElement.className='js'"
"""Runs before the page is drawn: what only a script can do is hidden without one."""


def template_text(name: str) -> str:
    """Return one of our own template files."""
    return (files("regcheck.report") / "templates" / name).read_text("utf-8")


def rendered(template: str, *scripts: str, number: Any = str, **contents: Any) -> bytes:
    """Return a page, UTF-8: the template with the style, our own ``scripts`` (the first for the head) and ``contents``, all escaped."""
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    style = template_text("report.css").replace("/* light */", colours("light")).replace("/* dark */", colours("dark"))
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters |= {"number": number, "printable": lambda text: printable(str(text))}
    environment.globals |= {"mark": lambda verdict: Markup(word_mark(verdict))}  # noqa: S704 - our own shapes
    environment.globals |= {"drawing": Markup}  # every text within a drawing went through svg.safe
    environment.globals |= {"Verdict": Verdict}
    head_script, script = (*scripts, "", "")[:2]
    text = environment.from_string(template_text(template)).render(
        policy=_policy(style, *scripts),
        style=Markup(style),  # noqa: S704 - our own file
        head_script=Markup(head_script),  # noqa: S704
        script=Markup(script),  # noqa: S704
        shapes=Markup(_shapes()),  # noqa: S704
        **contents,
    )
    return text.encode("utf-8", "backslashreplace")


def _policy(style: str, *scripts: str) -> str:
    def hashed(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    allowed = " ".join(hashed(text) for text in scripts) or "'none'"
    return f"default-src 'none'; style-src {hashed(style)}; script-src {allowed}; img-src data:; base-uri 'none'; form-action 'none'"


def _shapes() -> str:
    """Return the marks that plots use again and again."""
    marks = "".join(f'<g id="m-{verdict}">{slab(verdict, 0, 0)}</g>' for verdict in Verdict)
    return f'<svg class="shapes" aria-hidden="true"><defs>{marks}<path id="spot" class="m fail" d="M-2.5 -5h5v10h-5z"/></defs></svg>'
