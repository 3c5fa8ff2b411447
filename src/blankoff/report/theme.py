"""One palette for every chart and page: roles, not colours, in specs; light, dark and print give the colours.

Chosen to stay apart for colour-blind readers and in grey print: the verdicts differ in lightness as well as in hue, and
every mark that carries meaning also has its own shape or dash.
"""

from __future__ import annotations

from typing import Any

VEGA_LITE = "6.4"
"""Version of the chart grammar that pages and sheets draw with."""
NUMBER_LOCALE = {"decimal": ".", "thousands": "\u202f", "grouping": [3], "currency": ["", ""]}
"""Numbers on axes as in the text: thousands parted by a thin blank."""

LIGHT = {
    "paper": "#fdfdfb",
    "panel": "#f4f5f1",
    "ink": "#1b2228",
    "muted": "#55606a",
    "rule": "#d5d9d4",
    "accent": "#0a5a72",
    "passed": "#79afc7",
    "passed-ink": "#0f3544",
    "failed": "#9c3310",
    "failed-ink": "#fff6f1",
    "unproven": "#efe3bd",
    "unproven-ink": "#4b3d0c",
    "unproven-edge": "#7d6a2a",
    "own": "#0a5a72",
    "own-soft": "#bcd7e0",
    "peer": "#6d6a63",
    "warn": "#9c3310",
    "service": "#5b3f8c",
    "water": "#1f6fb5",
    "steady": "#9c3310",
    "saturating": "#1f6fb5",
    "phase-pump": "#eef3f0",
    "phase-hold": "#e3ecf4",
    "phase-break": "#f2ebdc",
    "phase-gap": "#ececec",
}
DARK = {
    "paper": "#13181c",
    "panel": "#1b2126",
    "ink": "#e7eae8",
    "muted": "#a7b2ba",
    "rule": "#39424a",
    "accent": "#7fc8dc",
    "passed": "#37758f",
    "passed-ink": "#ffffff",
    "failed": "#f2a07c",
    "failed-ink": "#2c0d02",
    "unproven": "#4a4326",
    "unproven-ink": "#f3e7bf",
    "unproven-edge": "#cdb96a",
    "own": "#7fc8dc",
    "own-soft": "#28505e",
    "peer": "#b7b2a6",
    "warn": "#f2a07c",
    "service": "#bda4ec",
    "water": "#7db6ec",
    "steady": "#f2a07c",
    "saturating": "#7db6ec",
    "phase-pump": "#1a2420",
    "phase-hold": "#1b2733",
    "phase-break": "#2a2519",
    "phase-gap": "#26282a",
}


def role(name: str) -> str:
    """Return a colour as specs carry it: a CSS variable, so that mode and print need no second drawing."""
    if name not in LIGHT:
        raise KeyError(name)
    return f"var(--{name})"


def resolve(spec: Any, palette: dict[str, str] | None = None) -> Any:
    """Put a palette's colours (light unless told) in place of the variables of a spec, for drawing outside a page."""
    colours = palette or LIGHT
    if isinstance(spec, dict):
        return {k: resolve(v, colours) for k, v in spec.items()}
    if isinstance(spec, list):
        return [resolve(v, colours) for v in spec]
    if isinstance(spec, str) and spec.startswith("var(--"):
        return colours[spec[6:-1]]
    return spec


def config() -> dict[str, Any]:
    """Vega-Lite's configuration shared by every chart, in roles."""
    text = {"labelColor": role("ink"), "titleColor": role("muted"), "labelFontSize": 12, "titleFontSize": 12}
    return {
        "background": "transparent",
        "font": "system-ui, 'DejaVu Sans', sans-serif",
        "view": {"stroke": None},
        "axis": {
            **text,
            "titleFontWeight": "normal",
            "gridColor": role("rule"),
            "domainColor": role("muted"),
            "tickColor": role("muted"),
            "labelOverlap": "greedy",
            "labelSeparation": 8,
            "titlePadding": 8,
        },
        "legend": {**text, "titleFontWeight": "normal", "orient": "top", "symbolSize": 90, "labelLimit": 260},
        "text": {"color": role("ink"), "fontSize": 12},
        "rule": {"color": role("ink")},
        "aria": False,
    }


def css_variables(palette: dict[str, str]) -> str:
    """Return the palette as CSS custom properties."""
    return "\n".join(f"  --{name}: {colour};" for name, colour in palette.items())
