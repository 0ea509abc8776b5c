"""What a notebook shows of an object: its title, warnings, a small table and a small picture, as HTML that stands by itself."""

from __future__ import annotations

import base64
import html
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from simbank.warning import BankWarning

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

__all__ = ["MOST_BYTES", "as_html"]

MOST_BYTES = 100_000  # of a picture in a notebook's cell
MOST_ROWS = 12
RESOLUTIONS = (80, 60, 45, 30)  # dots an inch, the finest that keeps to MOST_BYTES
WARNING = "margin:.3em 0;padding:.3em .6em;border-left:4px solid #b95e24;white-space:normal"


def as_html(
    title: str,
    *,
    warnings: Sequence[BankWarning] = (),
    words: Sequence[str] = (),
    table: pd.DataFrame | None = None,
    picture: Figure | str | None = None,
    caution: str = "",
) -> str:
    """HTML of what there is, in this order.

    Parameters
    ----------
    title : str
        Heading.
    warnings : sequence of BankWarning
        What must be known before any figure, all of them.
    words : sequence of str
        Sentences.
    table : DataFrame, optional
        Shown with its index; of many rows the first.
    picture : Figure or str, optional
        A figure, which becomes a PNG of less than :data:`MOST_BYTES`, or the text of an SVG, which is left out if it is larger.
    caution : str
        Small print at the end.

    Returns
    -------
    str
    """
    parts = [f"<h4>{html.escape(title)}</h4>"]
    parts += [f'<p style="{WARNING}"><b>{html.escape(w.where)}</b>: {html.escape(w.text)}</p>' for w in warnings]
    parts += [f"<p>{html.escape(text)}</p>" for text in words]
    if table is not None and len(table):
        shown = table.head(MOST_ROWS).to_html(border=0, float_format="{:.4g}".format, na_rep="–")
        parts.append(f'<div style="overflow-x:auto">{shown}</div>')
        if len(table) > MOST_ROWS:
            parts.append(f"<p>The first {MOST_ROWS} of {len(table)} rows.</p>")
    if isinstance(picture, str):
        parts += [picture[picture.index("<svg") :]] if len(picture.encode()) < MOST_BYTES else []
    elif picture is not None:
        image = base64.b64encode(small_png(picture)).decode()
        parts.append(f'<img alt="{html.escape(title)}" style="max-width:100%" src="data:image/png;base64,{image}">')
    if caution:
        parts.append(f"<p><small>{html.escape(caution)}</small></p>")
    return "\n".join(parts)


def small_png(figure: Figure) -> bytes:
    """The figure as PNG, as fine as :data:`MOST_BYTES` allow."""
    for dpi in RESOLUTIONS:
        out = io.BytesIO()
        figure.savefig(out, format="png", dpi=dpi)
        if out.tell() < MOST_BYTES * 3 // 4:  # base64 takes four letters for three bytes
            break
    return out.getvalue()
