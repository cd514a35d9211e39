"""Frozen dataclasses to bytes and back, exactly, with nothing in them that can run.

A value becomes a JSON tree beside the arrays it holds, all in one ``.npz``.  Only
classes named to `Codec` come back; pickles are refused.
"""

from __future__ import annotations

import io
import json
import math
from dataclasses import fields, is_dataclass

import numpy as np

_TREE = "tree"


class Codec:
    """Encode and decode values built of the given dataclasses.

    Parameters
    ----------
    *classes : type
        Dataclasses that may appear, by their own name.
    """

    def __init__(self, *classes: type):
        self._classes = {c.__name__: c for c in classes}

    def encode(self, value) -> bytes:
        """Value to bytes.

        Raises
        ------
        TypeError
            If a part is of a kind that is not known here.
        """
        arrays: dict[str, np.ndarray] = {}
        text = json.dumps(self._to_tree(value, arrays), allow_nan=False)
        arrays[_TREE] = np.frombuffer(text.encode("utf-8", "surrogatepass"), np.uint8)
        stream = io.BytesIO()
        np.savez(stream, **arrays)  # packing them would take longer than measuring a star
        return stream.getvalue()

    def decode(self, data: bytes):
        """Bytes back to the value.

        Raises
        ------
        ValueError
            If the bytes are damaged or of another layout.
        """
        import zipfile
        import zlib

        try:
            with np.load(io.BytesIO(data), allow_pickle=False) as stored:
                arrays = {name: stored[name] for name in stored.files}
            tree = json.loads(arrays[_TREE].tobytes().decode("utf-8", "surrogatepass"))
            return self._from_tree(tree, arrays)
        except (
            OSError,
            EOFError,
            KeyError,
            TypeError,
            IndexError,
            NotImplementedError,
            zipfile.BadZipFile,
            zlib.error,
        ) as error:
            raise ValueError(f"damaged measurement: {error}") from error

    def _to_tree(self, value, arrays):
        if value is None or type(value) in (bool, str, int):
            return value
        if isinstance(value, np.ndarray):
            name = f"a{len(arrays)}"
            arrays[name] = value
            return {"array": name}
        if isinstance(value, bytes):
            name = f"a{len(arrays)}"
            arrays[name] = np.frombuffer(value, np.uint8)
            return {"bytes": name}
        if isinstance(value, np.generic):
            return self._to_tree(value.item(), arrays)
        if isinstance(value, float):
            return value if math.isfinite(value) else {"float": repr(value)}
        if isinstance(value, tuple):
            return {"tuple": [self._to_tree(v, arrays) for v in value]}
        if is_dataclass(value) and type(value).__name__ in self._classes:
            content = {f.name: self._to_tree(getattr(value, f.name), arrays) for f in fields(value)}
            return {"class": type(value).__name__, "fields": content}
        raise TypeError(f"cannot store a {type(value).__name__}")

    def _from_tree(self, node, arrays):
        if not isinstance(node, dict):
            return node
        if "array" in node:
            return arrays[node["array"]]
        if "bytes" in node:
            return arrays[node["bytes"]].tobytes()
        if "float" in node:
            return float(node["float"])
        if "tuple" in node:
            return tuple(self._from_tree(v, arrays) for v in node["tuple"])
        kind = self._classes[node["class"]]
        return kind(**{k: self._from_tree(v, arrays) for k, v in node["fields"].items()})
