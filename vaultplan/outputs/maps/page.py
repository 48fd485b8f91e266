"""One HTML page that needs no network: folium's map, Leaflet and our own drawing inside."""

from __future__ import annotations

import base64
import gzip
import html
import re
from collections.abc import Iterator, Mapping
from importlib import resources
from typing import Any, Final
from urllib.parse import urlsplit

import folium
from branca.element import Element, Figure

from vaultplan.errors import OutputError
from vaultplan.outputs.pages.seal import POLICY, json_text, own_text, sealed

_ZOOM_LOCK: Final = ", maximum-scale=1.0, user-scalable=no"
_MAP_ID: Final = "week"
#: Letters of data from which on they are packed, to a third or so.
_PACKED_FROM: Final = 1_500_000
_FIRST: Final = ("draw", "names", "tell", "view")
_DRAWN: Final = ("ground", "marks", "paint", "legend")
#: Our own scripts, in the order in which they need one another.
_SCRIPTS: Final[Mapping[str, tuple[str, ...]]] = {
    "week": (*_FIRST, *_DRAWN, "week", "page"),
    "watch": (*_FIRST, "watched", *_DRAWN, "watch", "page"),
    "dirty": (*_FIRST, "records", *_DRAWN, "dirty", "page"),
}


class _Verbatim(Element):
    """Text that goes into the page as it is, past the template engine."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **_kwargs: Any) -> str:
        """Return the text."""
        return self.text


def page(title: str, data: Mapping[str, Any]) -> str:
    """Return the whole page as HTML that asks the network for nothing.

    ``data`` is embedded as JSON; the scripts put it on the page as text only. A content security
    policy names every script by its hash, so nothing else can run or be fetched.

    Raises
    ------
    OutputError
        If anything in the page would have to be fetched.
    """
    base = folium.Map(
        tiles=None,
        zoom_control=False,
        attribution_control=False,
        max_zoom=20,
        min_zoom=8,
        zoom_snap=0.5,
        zoom_delta=1,
        font_size="16px",
    )
    base._id = _MAP_ID
    figure = base.get_root()
    if not isinstance(figure, Figure):
        raise OutputError("folium made no page around its map; another folium version?")
    for element in _walk(figure):
        for listed in ("default_js", "default_css"):
            if hasattr(element, listed):
                setattr(element, listed, [])
    figure.title = html.escape(title)
    header = (
        f'<meta http-equiv="Content-Security-Policy" content="{_policy(data)}">',
        '<link rel="icon" href="data:,">',
        f"<script>{leaflet_js()}</script>",
        f"<style>{leaflet_css()}</style>",
    )
    for place, text in enumerate(header):
        figure.header.add_child(_Verbatim(text), name=f"head_{place}", index=place + 1)
    figure.header.add_child(_Verbatim(f"<style>{own_text('maps/page.css')}</style>"), name="look")
    figure.html.add_child(_Verbatim(own_text("maps/page.html")), name="margin", index=0)
    rendered = str(figure.render())
    rendered = rendered.replace(_ZOOM_LOCK, "").replace("<html>", '<html lang="en">', 1)
    scripts = "".join(own_text(f"maps/{name}.js") for name in _SCRIPTS[data["audience"]])
    started = own_text("maps/start.js").replace("/* scripts */", scripts)
    tail = f"{_data_block(data)}\n<script>{started}</script>\n</body>"
    head, mark, rest = rendered.partition("</body>")
    # folium puts its script behind the body; ours needs the map it makes, so both move inside.
    made, found, end = rest.partition("</html>")
    if not (mark and found):
        raise OutputError("the page that folium made has no end; another folium version?")
    return sealed(f"{head}{made}{tail}\n</html>{end}")


def _data_block(data: Mapping[str, Any]) -> str:
    """Return the data as JSON; much of it packed by gzip, which start.js takes apart."""
    text = json_text(data)
    if len(text) < _PACKED_FROM:
        return f'<script type="application/json" id="vaultplan-data">{text}</script>'
    packed = base64.b64encode(gzip.compress(text.encode("utf-8"), mtime=0)).decode("ascii")
    return f'<script type="application/json+gzip" id="vaultplan-data">{packed}</script>'


def _policy(data: Mapping[str, Any]) -> str:
    """Return the page's policy, with the one host of a basemap that was asked for."""
    if "basemap" not in data:
        return POLICY
    parts = urlsplit(data["basemap"]["url"])
    host = parts.netloc.replace("{s}", "*")
    return POLICY.replace("img-src data:", f"img-src data: {parts.scheme}://{html.escape(host)}")


def _walk(element: Any) -> Iterator[Any]:
    yield element
    for child in element._children.values():
        yield from _walk(child)


def _leaflet(name: str) -> bytes:
    return resources.files("xstatic.pkg.leaflet").joinpath("data", *name.split("/")).read_bytes()


def leaflet_js() -> str:
    """Return Leaflet's script."""
    text = re.sub(r"(?m)^//# sourceMappingURL=.*$", "", _leaflet("leaflet.js").decode("utf-8"))
    if "</script" in text.lower():
        raise OutputError("Leaflet's script would end its own block; another Leaflet version?")
    return text


def leaflet_css() -> str:
    """Return Leaflet's style with its pictures inside."""

    def inlined(match: re.Match[str]) -> str:
        picture = base64.b64encode(_leaflet(match[1])).decode("ascii")
        return f"url(data:image/png;base64,{picture})"

    text = _leaflet("leaflet.css").decode("utf-8")
    text = re.sub(r"url\((images/[a-z0-9-]+\.png)\)", inlined, text)
    text = re.sub(r"behavior:\s*url\(#default#VML\);?", "", text)
    return re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
