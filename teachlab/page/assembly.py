"""Put the page together: one file, no request to anywhere, no script but its own."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from teachlab.page.contents import PageContents

FOLDER = Path(__file__).parent
MODULES = (
    "decoding", "switching", "scoring", "intervals", "lots", "tables", "drawing", "stress", "edges_between",
    "reserve_search", "reserve_table", "reserves", "setting_text", "serving", "counts", "trace", "course", "histogram",
    "strip", "map", "corrections", "hand", "sliders", "start",
)  # fmt: skip
"""Modules of the page's script, each after those it imports from."""
PLOT = "uPlot.iife.min.js"


def script_text(names: tuple[str, ...] = MODULES) -> str:
    """Return modules as one script: what they import from each other is in one scope, so imports and exports go."""
    parts = []
    for name in names:
        text = (FOLDER / "script" / f"{name}.js").read_text(encoding="utf-8")
        text = re.sub(r"^import .*?;\n", "", text, flags=re.MULTILINE)
        parts.append(re.sub(r"^export ", "", text, flags=re.MULTILINE))
    return "".join(parts)


def page_html(contents: PageContents) -> str:
    """Return the page. Text of files stands in JSON and in escaped text alone, so that none of it is markup."""
    plot = (FOLDER / "vendor" / PLOT).read_text(encoding="utf-8")
    licence = (FOLDER / "vendor" / "LICENSE").read_text(encoding="utf-8")
    version = (FOLDER / "vendor" / "VERSION").read_text(encoding="utf-8")
    plot = f"/* {version}\n{licence}*/\n{plot}"
    own = f"(() => {{\n'use strict';\n{script_text()}\n}})();"
    style = (FOLDER / "vendor" / "uPlot.min.css").read_text(encoding="utf-8") + (
        FOLDER / "script" / "page.css"
    ).read_text(encoding="utf-8")
    scripts = " ".join(_digest(text) for text in (plot, own))
    policy = (
        f"default-src 'none'; script-src {scripts}; style-src {_digest(style)}; base-uri 'none'; form-action 'none'"
        + ("; connect-src 'self'" if contents.facts["served"] else "")
    )
    arrays = "".join(
        f'<script type="application/gzip" id="array-{name}">{one.text}</script>\n'
        for name, one in contents.arrays.items()
    )
    body = (FOLDER / "script" / "page.html").read_text(encoding="utf-8")
    values = {
        "POLICY": policy,
        "TITLE": html.escape(contents.facts["title"]),
        "STYLE": style,
        "FACTS": _inert(contents.facts),
        "ARRAYS": arrays,
        "PLOT": plot,
        "OWN": own,
    }
    return re.sub(r"%%([A-Z]+)%%", lambda found: values[found.group(1)], body)


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _inert(facts: object) -> str:
    """Return JSON in which no character can end the element that holds it."""
    text = json.dumps(facts, ensure_ascii=True, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
