"""A page that needs nothing beside it: its frame filled, its data as JSON, its policy."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping
from importlib.resources import files


def page_part(name: str, package: str = "subgrade.report") -> str:
    """A script, style or frame of a page, from a package's files."""
    return (files(package) / name).read_text(encoding="utf-8")


def filled(frame: str, pieces: Mapping[str, str]) -> str:
    """A page's frame with the pieces in place of their names in double braces.

    In one pass, so that no piece is searched for the name of another.
    """
    whole = []
    for k, text in enumerate(frame.split("{{")):
        if k:
            name, text = text.split("}}", 1)
            whole.append(pieces[name])
        whole.append(text)
    return "".join(whole)


def policy(behaviour: str, served: bool = False) -> str:
    """What the page may load: its own script, and pictures and numbers of its server."""
    pictures = "'self' data: blob:; connect-src 'self'" if served else "data: blob:"
    return (
        f"default-src 'none'; script-src 'sha256-{_hash(behaviour)}'; style-src 'unsafe-inline'; "
        f"img-src {pictures}; base-uri 'none'; form-action 'none'"
    )


def json_block(record: dict) -> str:
    """JSON for a script element: no text in it can end the element or start another.

    Everything beyond ASCII is escaped too, line separators and lone surrogates among it.
    """
    text = json.dumps(record, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text


def one_script(scripts: Iterable[str]) -> str:
    """Scripts as one function's body, without the letters that would end its element."""
    script = "\n".join(["(() => {", '"use strict";', *scripts, "})();"])
    return script.replace("</script", r"<\/script").replace("<!--", r"<\!--")


def _hash(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
