"""Parquet files written by hand, so that footer and page headers can say what no honest writer says.

Reference: the Parquet format's Thrift definitions (FileMetaData, PageHeader) and Thrift's compact protocol.
"""

from __future__ import annotations

import struct
from typing import Any

DOUBLE, PLAIN, RLE, DATA_PAGE = 5, 0, 3, 0
CODECS = {"none": 0, "snappy": 1, "gzip": 2, "brotli": 4, "zstd": 6}


def _varint(n: int) -> bytes:
    out = bytearray()
    while n > 0x7F:
        out.append(n & 0x7F | 0x80)
        n >>= 7
    out.append(n)
    return bytes(out)


def _kind(value: Any) -> int:
    return {int: 5, tuple: 6, str: 8, list: 9, dict: 12}[type(value)]


def thrift(value: Any) -> bytes:
    """A value in the compact protocol: a whole number is i32, ``("i64", n)`` is i64, a dictionary a structure."""
    if isinstance(value, tuple):
        value = value[1]
    if isinstance(value, int):
        return _varint(value << 1 if value >= 0 else (-value << 1) - 1)
    if isinstance(value, str):
        return _varint(len(value)) + value.encode()
    if isinstance(value, list):
        return bytes([len(value) << 4 | _kind(value[0])]) + b"".join(map(thrift, value))
    out, last = b"", 0
    for number, part in value.items():
        out += bytes([(number - last) << 4 | _kind(part)]) + thrift(part)
        last = number
    return out + b"\0"


def page(body: bytes, values: int, says_uncompressed: int, kind: int = DATA_PAGE) -> bytes:
    """A page of `values` doubles."""
    header = {1: kind, 2: says_uncompressed, 3: len(body), 5: {1: values, 2: PLAIN, 3: RLE, 4: RLE}}
    return thrift(header) + body


def parquet(columns: dict[str, list[bytes]], rows: int, codec: str, says: int = 1_000) -> bytes:
    """A file of required doubles: pages by column, and how many bytes its footer says that each column is."""
    out = b"PAR1"
    chunks: list[Any] = []
    for name, pages in columns.items():
        at, body = len(out), b"".join(pages)
        out += body
        meta: dict[int, Any] = {
            1: DOUBLE,
            2: [PLAIN],
            3: [name],
            4: CODECS[codec],
            5: ("i64", rows),
            6: ("i64", says),
            7: ("i64", len(body)),
            9: ("i64", at),
        }
        chunks.append({2: ("i64", at), 3: meta})
    schema: list[Any] = [{4: "schema", 5: len(columns)}]
    schema += [{1: DOUBLE, 3: 0, 4: name} for name in columns]
    group: Any = {1: chunks, 2: ("i64", says * len(columns)), 3: ("i64", rows)}
    footer = thrift({1: 1, 2: schema, 3: ("i64", rows), 4: [group]})
    return out + footer + struct.pack("<I", len(footer)) + b"PAR1"
