"""Plots of one finding as plotly figures, for notebooks: what the page draws, to be zoomed and read off; our own colours, no toolbar."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from regcheck.checks.finding import Finding, Run, Verdict
from regcheck.checks.plot_data import FieldPlots, Levels, Plots, Stretches
from regcheck.errors import UsageError
from regcheck.report.html_plots import seconds_from
from regcheck.report.quantity import error_unit
from regcheck.report.tokens import BAND, INK, OF_VERDICT, PAPER, POST, RULE, SOFT_INK, Token

if TYPE_CHECKING:
    import plotly.graph_objects as go

Theme = Literal["light", "dark"]

_TOOLS = ["zoom", "pan", "select", "lasso", "zoomIn", "zoomOut", "autoScale", "resetScale", "toImage"]


def figure(run: Run, plots: Plots, id: str, theme: Theme = "light") -> go.Figure:
    """Return one finding's figure: applied and reported over time, and the error against the applied value with limits and U (k = 2).

    Every extreme and every failing spot is in it. Raises UsageError: plotly is not installed, there is no such finding, or it has nothing
    to draw.
    """
    try:
        from plotly.subplots import make_subplots
    except ImportError as error:
        raise UsageError("figures take plotly, which is not installed: pip install 'regcheck[notebook]'") from error
    finding = next((one for one in run.findings if one.id == id), None)
    if finding is None:
        from regcheck.device_map.words import nearest

        near = nearest(id, [one.id for one in run.findings])
        raise UsageError(f"the run has no finding {id!r}" + (f"; did you mean {near!r}?" if near else ""))
    drawn = plots.fields.get(finding.requirement.path)
    if drawn is None or not drawn.times:
        raise UsageError(f"{id} has nothing to draw: only fields that the bench drives are gathered")
    count = 1 if drawn.levels is None else 2
    made = make_subplots(rows=count, cols=1, vertical_spacing=0.16)
    _add_times(made, drawn, theme)
    if drawn.levels is not None:
        _add_levels(made, drawn.levels, drawn.unit, theme)
    _style(made, finding, theme)
    return made


def _colour(token: Token, theme: Theme) -> str:
    return token.light if theme == "light" else token.dark


def _add_times(made: go.Figure, drawn: FieldPlots, theme: Theme) -> None:
    import plotly.graph_objects as go

    since_s = seconds_from(drawn.times)
    for number, one in enumerate(drawn.times):
        first = number == 0
        time = one.applied[:, 0] / 1e9 + one.since_ns / 1e9 - since_s
        line = {"color": _colour(POST, theme), "width": 1.5}
        made.add_trace(go.Scatter(x=time, y=one.applied[:, 1], mode="lines", name="applied", line=line, showlegend=first), row=1, col=1)
        looks = [
            (one.reported, "reported", SOFT_INK, "circle", 4),
            (one.undecided, "undecided", OF_VERDICT[Verdict.UNDECIDED], "square-open", 7),
        ]
        looks.append((one.failing, "beyond its limit", OF_VERDICT[Verdict.FAIL], "square", 7))
        for stretches, name, token, symbol, size in looks:
            if len(stretches):
                x, y = _extremes(stretches, since_s)
                marker = {"color": _colour(token, theme), "symbol": symbol, "size": size}
                made.add_trace(go.Scatter(x=x, y=y, mode="markers", name=name, marker=marker, showlegend=first), row=1, col=1)
    made.update_xaxes(title_text=f"s since {since_s:.0f} s" if since_s else "s, capture time", row=1, col=1)
    made.update_yaxes(title_text=drawn.unit, row=1, col=1)


def _extremes(stretches: Stretches, since_s: float) -> tuple[Any, Any]:
    """Return both extremes of each stretch as points, the one extreme once where both are equal."""
    middle = (stretches.begin_ns + stretches.width_ns / 2) / 1e9 - since_s
    apart = stretches.high != stretches.low
    return np.concatenate([middle, middle[apart]]), np.concatenate([stretches.low, stretches.high[apart]])


def _add_levels(made: go.Figure, levels: Levels, unit: str, theme: Theme) -> None:
    import plotly.graph_objects as go

    for bound, name in ((levels.limit_high, "limit"), (levels.limit_low, "limit")):
        line = {"color": _colour(POST, theme), "width": 2}
        fill = {"fill": "tonexty", "fillcolor": _colour(BAND, theme)} if bound is levels.limit_low else {}
        shown = bound is levels.limit_high
        made.add_trace(go.Scatter(x=levels.applied, y=bound, mode="lines", name=name, line=line, showlegend=shown, **fill), row=2, col=1)
    verdicts = np.array([str(verdict) for verdict in levels.verdict])
    for verdict in (Verdict.PASS, Verdict.UNDECIDED, Verdict.FAIL):
        rows = np.flatnonzero(verdicts == str(verdict))
        if not len(rows):
            continue
        x, y, u = (np.concatenate([part[rows], part[rows]]) for part in (levels.applied, levels.low, levels.u))
        y[len(rows) :] = levels.high[rows]
        bars = {"type": "data", "array": 2 * u, "color": _colour(RULE, theme), "thickness": 1.5, "width": 0}
        marker = {
            "color": _colour(OF_VERDICT[verdict], theme),
            "symbol": "square-open" if verdict is Verdict.UNDECIDED else "square",
            "size": 6,
        }
        made.add_trace(go.Scatter(x=x, y=y, mode="markers", name=f"error, {verdict}", marker=marker, error_y=bars), row=2, col=1)
    made.update_xaxes(title_text=f"applied, {unit}" if unit else "applied", row=2, col=1)
    made.update_yaxes(title_text=f"error, {error_unit(unit)}" if unit else "error", row=2, col=1)


def _style(made: go.Figure, finding: Finding, theme: Theme) -> None:
    ink, soft, rule, paper = (_colour(token, theme) for token in (INK, SOFT_INK, RULE, PAPER))
    axis = {"gridcolor": _colour(BAND, theme), "linecolor": rule, "zerolinecolor": rule, "tickcolor": rule, "tickfont": {"color": soft}}
    made.update_xaxes(**axis, title_font={"color": soft})
    made.update_yaxes(**axis, title_font={"color": soft})
    made.update_layout(
        template="none",
        paper_bgcolor=paper,
        plot_bgcolor=paper,
        font={"color": ink, "family": "system-ui, sans-serif", "size": 13},
        title={"text": _as_text(finding.says), "font": {"size": 15}, "x": 0, "xref": "paper"},
        legend={"orientation": "h", "y": -0.12, "font": {"color": soft}},
        hoverlabel={"bgcolor": paper, "bordercolor": rule, "font": {"color": ink}},
        modebar={
            "remove": ["zoom", "pan", "select", "lasso", "zoomIn", "zoomOut", "autoScale", "resetScale", "toImage"],
            "bgcolor": paper,
            "color": paper,
        },
        margin={"l": 70, "r": 20, "t": 60, "b": 60},
        height=640,
    )


def _as_text(words: str) -> str:
    """Return text as plotly shows it as it stands: it takes some markup in titles."""
    return words.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
