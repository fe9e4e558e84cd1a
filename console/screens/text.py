"""Lines of styled text that are never read as markup."""

from __future__ import annotations

from textual.content import Content


def piece(text: str, style: str = "") -> Content:
    """Plain text in one style; never read as markup."""
    return Content.styled(text, style) if style else Content(text)


def line(*pieces: str | tuple[str, str]) -> Content:
    """One line of pieces, each plain text or text with a style; never read as markup."""
    out = Content("")
    for one in pieces:
        out += Content(one) if isinstance(one, str) else piece(*one)
    return out


def fit(text: str, width: int) -> str:
    """`text` padded or cut with an ellipsis to exactly `width` columns of one cell each."""
    if width <= 0:
        return ""
    return text.ljust(width) if len(text) <= width else text[: width - 1] + "…"
