"""Pieces of the page: sections, tables, figures. All text is escaped here."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from diskmosaic.report.figures import number


def section(title: str, *parts: str) -> str:
    """A part of the page under its own heading; `parts` are HTML."""
    return f"<section>\n<h2>{escape(title)}</h2>\n" + "\n".join(parts) + "\n</section>"


def table(caption: str, head: Sequence[str], rows: Iterable[Sequence[object]], *, words: Sequence[int] = ()) -> str:
    """A table whose first column names the row.

    Parameters
    ----------
    caption : str
    head : sequence of str
        Empty for a table that needs none.
    rows : iterable of sequences
    words : sequence of int
        Columns of running text, set to the left; the others are numbers.
    """
    top = ""
    if head:
        names = [f'<th scope="col"{_kind(k, (0, *words))}>{escape(name)}</th>' for k, name in enumerate(head)]
        top = f"<thead><tr>{''.join(names)}</tr></thead>\n"
    body = ""
    for name, *values in rows:
        cells = [f"<td{_kind(k, words)}>{escape(str(value))}</td>" for k, value in enumerate(values, 1)]
        body += f'<tr><th scope="row">{escape(str(name))}</th>{"".join(cells)}</tr>\n'
    return (
        f'<div class="scroll" tabindex="0" role="group" aria-label="{escape(caption, quote=True)}"><table>'
        f"<caption>{escape(caption)}</caption>\n{top}<tbody>\n{body}</tbody></table></div>"
    )


def _kind(column: int, words: Sequence[int]) -> str:
    return ' class="words"' if column in words else ""


def details(summary: str, content: str) -> str:
    """What only some readers want to see; `content` is HTML."""
    return f"<details><summary>{escape(summary)}</summary>{content}</details>"


def picture(address: str, alt: str, caption: str) -> str:
    """A picture with its caption."""
    return (
        f'<figure><img src="{address}" alt="{escape(alt, quote=True)}">'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )


def figure(drawing: str, caption: str) -> str:
    """A drawing with its caption; both are HTML."""
    return f"<figure>{drawing}<figcaption>{caption}</figcaption></figure>"


def known(value: float | None, digits: int = 4) -> str:
    """A number as text; a dash where it is not known."""
    return number(np.nan if value is None else value, digits)
