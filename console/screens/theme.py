"""The screens' own colours. Style sheets use only the variables that come from here."""

from __future__ import annotations

from textual.theme import Theme

NIGHT = Theme(
    name="river-night",
    primary="#6fb3b8",
    secondary="#8a9bb0",
    accent="#d9b36c",
    success="#8cc084",
    warning="#e0b050",
    error="#e07a6a",
    foreground="#d6dde0",
    background="#12181b",
    surface="#182024",
    panel="#223036",
    dark=True,
    variables={"input-cursor-text-style": "reverse", "block-cursor-text-style": "bold"},
)
