"""Pieces of a page: tables, pictures with words beside them, sections."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterable, Sequence
from typing import Any


def section(name: str, head: str, *parts: str) -> str:
    """Return a section that the page's links reach by name."""
    inside = "\n".join(part for part in parts if part)
    return (
        f'<section id="{name}" aria-labelledby="{name}-head">\n'
        f'<h2 id="{name}-head">{html.escape(head)}</h2>\n{inside}\n</section>'
    )


def paragraph(text: str) -> str:
    """Return text as a paragraph; its characters are shown as they are."""
    return f"<p>{html.escape(text)}</p>"


def listed(lines: Iterable[str], style: str = "") -> str:
    """Return lines as a list."""
    items = "".join(f"<li>{html.escape(line)}</li>" for line in lines)
    return f'<ul class="{style}">{items}</ul>' if style else f"<ul>{items}</ul>"


def picture(svg: str, alt: str, caption: str, head: str = "", *, is_broad: bool = False) -> str:
    """Return a drawing with its heading and what it means; ``alt`` tells what it shows."""
    data = base64.b64encode(svg.encode("utf-8")).decode("ascii")
    image = f'<img src="data:image/svg+xml;base64,{data}" alt="{html.escape(alt)}">'
    above = f"<h3>{html.escape(head)}</h3>" if head else ""
    below = f"<figcaption>{html.escape(caption)}</figcaption>"
    if is_broad:
        label = html.escape(head or caption)
        scrolled = f'<div class="wide" tabindex="0" role="group" aria-label="{label}">{image}</div>'
        return f'<figure class="broad">{above}{scrolled}{below}</figure>'
    return f"<figure>{above}{image}{below}</figure>"


def row(pictures: Iterable[str]) -> str:
    """Return pictures side by side, as many as there is room for."""
    return f'<div class="row">{"".join(pictures)}</div>'


def table(heads: Sequence[str], rows: Iterable[Sequence[Any]], numbers: Sequence[int]) -> str:
    """Return a table; columns whose place is in ``numbers`` stand to the right.

    A row of one cell is a heading across the table.
    """
    top = "".join(
        _cell("th", head, place in numbers, ' scope="col"') for place, head in enumerate(heads)
    )
    lines = []
    for cells in rows:
        if len(cells) == 1:
            text = html.escape(str(cells[0]))
            lines.append(
                f'<tr class="part"><th colspan="{len(heads)}" scope="rowgroup">{text}</th></tr>'
            )
            continue
        first = _cell("th", cells[0], False, ' scope="row"')
        rest = "".join(
            _cell("td", cell, place in numbers) for place, cell in enumerate(cells[1:], start=1)
        )
        lines.append(f"<tr>{first}{rest}</tr>")
    body = "\n".join(lines)
    return (
        f'<div class="wide" tabindex="0"><table><thead><tr>{top}</tr></thead>\n'
        f"<tbody>{body}</tbody></table></div>"
    )


def _cell(tag: str, value: Any, is_number: bool, more: str = "") -> str:
    style = ' class="number"' if is_number else ""
    return f"<{tag}{style}{more}>{html.escape(str(value))}</{tag}>"
