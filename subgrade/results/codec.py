"""Frozen dataclasses to bytes and back, exactly, with nothing in them that can run.

A value becomes a JSON tree, and behind it the bytes of the arrays it holds.  In front
stand the length and a checksum of all that follows, so that damage is seen before
anything is unpacked.  Only classes named to `Codec` come back, and nothing can take more
memory than the file is long.
"""

from __future__ import annotations

import json
import math
import os
import struct
from dataclasses import fields, is_dataclass
from hashlib import blake2b
from pathlib import Path

import numpy as np

MAGIC = b"subgrade kept 1\n"
_HEAD = struct.Struct("<QQ32s")
"""Bytes of all that follows, bytes of the tree, checksum of all that follows."""
HEAD_BYTES = len(MAGIC) + _HEAD.size
_KINDS = "biuf"
_ALIGN = 16


def read_encoded(path: Path) -> bytes:
    """The bytes of a file that `Codec.encode` wrote; of any other, only its first are read.

    Raises
    ------
    OSError
        If it cannot be read.
    ValueError
        If its head is damaged or does not fit its size.
    """
    with open(path, "rb") as stream:
        head = stream.read(HEAD_BYTES)
        _split_head(head, os.fstat(stream.fileno()).st_size)
        return head + stream.read()


def stands_whole(path: Path) -> bool:
    """Whether a file starts as `Codec.encode` wrote it and is as long as it says."""
    try:
        with open(path, "rb") as stream:
            _split_head(stream.read(HEAD_BYTES), os.fstat(stream.fileno()).st_size)
    except (OSError, ValueError):
        return False
    return True


def _split_head(head: bytes, size: int) -> tuple[int, int, bytes]:
    if len(head) < HEAD_BYTES or not head.startswith(MAGIC):
        raise ValueError("damaged measurement: it does not start as one")
    stated = _HEAD.unpack_from(head, len(MAGIC))
    if stated[0] != size - HEAD_BYTES:
        raise ValueError("damaged measurement: it is not as long as it was written")
    return stated


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
        arrays = _Arrays()
        text = json.dumps(self._to_tree(value, arrays), allow_nan=False)
        tree = text.encode("utf-8", "surrogatepass")
        parts = [_padded(tree), *(_padded(array.tobytes()) for array in arrays.held)]
        payload = b"".join(parts)
        return MAGIC + _HEAD.pack(len(payload), len(tree), _checksum(payload)) + payload

    def decode(self, data: bytes):
        """Bytes back to the value.

        Raises
        ------
        ValueError
            If the bytes are damaged or of another layout.
        """
        length, tree, checksum = _split_head(data[:HEAD_BYTES], len(data))
        payload = memoryview(data)[HEAD_BYTES:]
        if tree > length or _checksum(payload) != checksum:
            raise ValueError("damaged measurement: it is not what was written")
        try:
            nodes = json.loads(bytes(payload[:tree]).decode("utf-8", "surrogatepass"))
            return self._from_tree(nodes, payload[tree + -tree % _ALIGN :])
        except (KeyError, TypeError, AttributeError, OverflowError, RecursionError) as error:
            raise ValueError(f"damaged measurement: {error}") from error

    def _to_tree(self, value, arrays):
        if value is None or type(value) in (bool, str, int):
            return value
        if isinstance(value, np.ndarray):
            if value.dtype.kind not in _KINDS:
                raise TypeError(f"cannot store an array of {value.dtype}")
            return {"array": [value.dtype.str, list(value.shape), arrays.place(value)]}
        if isinstance(value, bytes):
            return {"bytes": [len(value), arrays.place(np.frombuffer(value, np.uint8))]}
        if isinstance(value, np.generic):
            return self._to_tree(value.item(), arrays)
        if isinstance(value, float):
            return value if math.isfinite(value) else {"float": repr(value)}
        if isinstance(value, tuple):
            return {"tuple": [self._to_tree(v, arrays) for v in value]}
        if isinstance(value, list):
            return {"list": [self._to_tree(v, arrays) for v in value]}
        if isinstance(value, dict):
            pairs = [[self._to_tree(part, arrays) for part in pair] for pair in value.items()]
            return {"dict": pairs}
        if is_dataclass(value) and type(value).__name__ in self._classes:
            content = {f.name: self._to_tree(getattr(value, f.name), arrays) for f in fields(value)}
            return {"class": type(value).__name__, "fields": content}
        raise TypeError(f"cannot store a {type(value).__name__}")

    def _from_tree(self, node, room: memoryview):
        if not isinstance(node, dict):
            return node
        if "array" in node:
            return _array(room, *node["array"])
        if "bytes" in node:
            length, at = node["bytes"]
            return bytes(room[at : at + length])
        if "float" in node:
            return float(node["float"])
        if "tuple" in node:
            return tuple(self._from_tree(v, room) for v in node["tuple"])
        if "list" in node:
            return [self._from_tree(v, room) for v in node["list"]]
        if "dict" in node:
            return {self._from_tree(k, room): self._from_tree(v, room) for k, v in node["dict"]}
        kind = self._classes[node["class"]]
        return kind(**{k: self._from_tree(v, room) for k, v in node["fields"].items()})


class _Arrays:
    """Arrays that stand one behind the other after the tree."""

    def __init__(self):
        self.held: list[np.ndarray] = []
        self._end = 0

    def place(self, array: np.ndarray) -> int:
        """Put an array behind the others; where its bytes will start."""
        at = self._end
        self.held.append(array)
        self._end += array.nbytes + -array.nbytes % _ALIGN
        return at


def _array(room: memoryview, kind: str, shape: list[int], at: int) -> np.ndarray:
    dtype = np.dtype(kind)
    if dtype.kind not in _KINDS or any(n < 0 for n in shape):
        raise ValueError(f"damaged measurement: an array of {kind}, {shape}")
    # a copy: measurements may be changed in place, and the file's bytes are let go
    return np.frombuffer(room, dtype, math.prod(shape), at).reshape(shape).copy()


def _padded(part: bytes) -> bytes:
    return part + bytes(-len(part) % _ALIGN)


def _checksum(payload) -> bytes:
    return blake2b(payload, digest_size=32).digest()
