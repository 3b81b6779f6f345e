"""What the report cannot say, and the safety note."""

from __future__ import annotations

from html import escape

from outcomes.reporting import sentences
from outcomes.reporting.picture import Html

__all__ = ["limits", "safety"]


def limits() -> Html:
    """Say what the report cannot say."""
    return Html("<ul>" + "".join(f"<li>{escape(x)}</li>" for x in sentences.LIMITS) + "</ul>")


def safety() -> Html:
    """Show the safety note."""
    text = "".join(f"<p>{escape(x)}</p>" for x in sentences.SAFETY)
    return Html(f'<div class="safety">{text}</div>')
