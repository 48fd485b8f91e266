"""Pages that are one file: filled from a template, and sealed so that they fetch nothing."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Mapping
from importlib import resources
from typing import Any, Final

from vaultplan.errors import OutputError

#: Stands in a page's policy until :func:`sealed` puts the hashes of its scripts there.
POLICY_MARK: Final = "vaultplan-script-hashes"
#: Only scripts named by their hash run, and nothing is fetched.
POLICY: Final = (
    f"default-src 'none'; script-src {POLICY_MARK}; style-src 'unsafe-inline'; "
    "img-src data:; base-uri 'none'; form-action 'none'"
)
_FETCHES: Final = re.compile(r"""(?:\bsrc|\bhref)\s*=\s*["']?\s*(?:https?:)?//""", re.IGNORECASE)
_SCRIPT: Final = re.compile(r"<script([^>]*)>(.*?)</script\s*>", re.DOTALL | re.IGNORECASE)


def own_text(name: str) -> str:
    """Return a file that lies beside this module: a template, a style or a script."""
    return resources.files("vaultplan.outputs").joinpath(name).read_text(encoding="utf-8")


def filled(template: str, parts: Mapping[str, str]) -> str:
    """Return a template with each ``{{name}}`` replaced by the part of that name.

    >>> filled("<b>{{a}}</b>{{b}}", {"a": "{{b}}", "b": "!"})
    '<b>{{b}}</b>!'
    """
    pieces = []
    # Cut up rather than replaced: nothing that is put in is looked through for further marks.
    for piece in template.split("{{"):
        mark, found, rest = piece.partition("}}")
        pieces.append(parts[mark] + rest if found else piece)
    return "".join(pieces)


def json_text(data: Mapping[str, Any]) -> str:
    r"""Return JSON that cannot end or change the block it stands in.

    >>> json_text({"name": "</script><!--"})
    '{"name":"\\u003c/script\\u003e\\u003c!--"}'
    """
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for risky in "<>&\u2028\u2029":
        text = text.replace(risky, f"\\u{ord(risky):04x}")
    return text


def sealed(text: str) -> str:
    """Return the page with every script's hash in its policy; refuse one that fetches."""
    markup = _SCRIPT.sub("", text)
    if _FETCHES.search(markup) or any(" src" in match[1] for match in _SCRIPT.finditer(text)):
        raise OutputError("the page would fetch something from the network; it was not written")
    hashes = [
        base64.b64encode(hashlib.sha256(match[2].encode()).digest()).decode("ascii")
        for match in _SCRIPT.finditer(text)
        if "application/json" not in match[1]
    ]
    return text.replace(POLICY_MARK, " ".join(f"'sha256-{digest}'" for digest in hashes), 1)
