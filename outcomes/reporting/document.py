"""From an executed notebook to one page: self-contained, readable without scripts.

The page holds what a reader needs and nothing of the code: headings, sentences, tables, figures
with their alternative text, a table of contents. It refers to no other file and no other host.
"""

from __future__ import annotations

import re
from html import escape, unescape
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import nbformat

__all__ = ["frame_page", "page"]

_TEMPLATES = Path(__file__).parent / "templates"
_HEADING = re.compile(r"<h([23])([^>]*)>(.*?)</h\1>", re.DOTALL)


def page(notebook: nbformat.NotebookNode, *, title: str, language: str = "en") -> str:
    """Write the report page of an executed notebook.

    Parameters
    ----------
    notebook : NotebookNode
        With its outputs, as `outcomes.reporting.notebooks.run_notebook` gives it.
    title : str
        Title of the page.
    language : str
        Language of the text (BCP 47).

    Returns
    -------
    str
        A whole HTML document.
    """
    return frame_page(_body(notebook), title=title, language=language)


def frame_page(body: str, *, title: str, language: str = "en") -> str:
    """Put a body into the frame of every page: style, contents, anchors for its headings."""
    body = _with_anchors(body)
    css = (_TEMPLATES / "page.css").read_text(encoding="utf-8")
    return (
        f'<!DOCTYPE html>\n<html lang="{escape(language)}"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{css}</style></head><body>"
        f'<a class="skip" href="#report">Skip to the report</a>'
        f'<div class="page">{_contents(body)}<main id="report">{body}</main></div>'
        f"</body></html>\n"
    )


def _body(notebook: nbformat.NotebookNode) -> str:
    from nbconvert import HTMLExporter

    exporter = HTMLExporter(
        template_name="report",
        extra_template_basedirs=[str(_TEMPLATES)],
        exclude_input=True,
        exclude_output_prompt=True,
        exclude_anchor_links=True,
        sanitize_html=False,
    )
    text, _ = exporter.from_notebook_node(notebook)
    return re.sub(r"<script\b.*?</script>", "", text, flags=re.DOTALL)


def _with_anchors(body: str) -> str:
    """Give each heading an anchor made from its words, unique on the page."""
    used: dict[str, int] = {}

    def anchored(match: re.Match[str]) -> str:
        level, _, inner = match.groups()
        words = unescape(re.sub(r"<[^>]+>", "", inner)).lower()
        slug = re.sub(r"[^a-z0-9]+", "-", words).strip("-") or "section"
        used[slug] = used.get(slug, 0) + 1
        name = slug if used[slug] == 1 else f"{slug}-{used[slug]}"
        return f'<h{level} id="{name}">{inner}</h{level}>'

    # headings inside the boxes of the first screen are not sections
    parts = re.split(r'(<div class="answers">.*?</div>)', body, flags=re.DOTALL)
    return "".join(p if p.startswith('<div class="answers">') else _HEADING.sub(anchored, p)
                   for p in parts)  # fmt: skip


def _contents(body: str) -> str:
    items: list[str] = []
    for level, name, inner in re.findall(r'<h([23]) id="([^"]+)">(.*?)</h\1>', body, re.DOTALL):
        words = re.sub(r"<[^>]+>", "", inner)
        indent = ' class="deeper"' if level == "3" else ""
        items.append(f'<li{indent}><a href="#{name}">{words}</a></li>')
    return (
        f'<nav class="contents" aria-label="Contents"><strong>Contents</strong>'
        f"<ol>{''.join(items)}</ol></nav>"
    )
