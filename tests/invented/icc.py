"""Colour profiles put together by hand, as ICC.1 lays them out, for tests."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np


def icc(primaries: tuple[tuple[float, float], ...], curve: bytes) -> bytes:
    """A matrix profile as ICC.1 lays it out, put together here by hand."""
    xyz = np.array([[x / y, 1, (1 - x - y) / y] for x, y in primaries]).T
    white = np.array([0.3127 / 0.3290, 1, (1 - 0.3127 - 0.3290) / 0.3290])
    xyz = xyz * np.linalg.solve(xyz, white)
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    d50 = np.array([0.9642, 1, 0.8249])
    to_d50 = np.linalg.inv(bradford) @ np.diag((bradford @ d50) / (bradford @ white)) @ bradford
    columns = (to_d50 @ xyz).T

    def number(values: Any) -> bytes:
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(float(v) * 65536) for v in values))

    desc = b"desc\0\0\0\0" + struct.pack(">I", 5) + b"Test\0" + bytes(78)
    tags = [(b"desc", desc), (b"wtpt", number(d50)), (b"cprt", b"text\0\0\0\0none\0")]
    tags += [(n, number(c)) for n, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)]
    tags += [(n, curve) for n in (b"rTRC", b"gTRC", b"bTRC")]
    table, body = struct.pack(">I", len(tags)), b""
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags:
        data += bytes(-len(data) % 4)
        table += name + struct.pack(">II", start + len(body), len(data))
        body += data
    head = struct.pack(
        ">I4sI4s4s4s", start + len(body), b"test", 0x02400000, b"mntr", b"RGB ", b"XYZ "
    )
    head += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", 63190, 65536, 54061)
    return head + bytes(128 - len(head)) + table + body


P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
A98 = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
OWN = ((0.66, 0.32), (0.29, 0.62), (0.15, 0.05))
GAMMA = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(563 / 256 * 256))
SRGB_PARA = b"para\0\0\0\0" + struct.pack(
    ">HH5i", 3, 0, *(round(v * 65536) for v in (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
)
TABLE = (
    b"curv\0\0\0\0"
    + struct.pack(">I", 64)
    + struct.pack(">64H", *(round(65535 * (i / 63) ** 1.8) for i in range(64)))
)
