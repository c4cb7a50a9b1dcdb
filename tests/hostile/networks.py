"""Small ONNX files made by hand, so that no test needs the trainer's packages: right, wrong and mad networks.

The format is protobuf (onnx.proto3 of the ONNX specification); only the few fields that a file needs are written.
Every output is a ``ConstantOfShape`` node, so a file is a few kilobytes whatever its outputs' sizes.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from updraft_key.model.runtime import expected_shapes
from updraft_key.model.spec import OUTPUTS, ModelSpec

FLOAT, INT64 = 1, 7


def _varint(n: int) -> bytes:
    out = b""
    while n > 0x7F:
        out, n = out + bytes([n & 0x7F | 0x80]), n >> 7
    return out + bytes([n])


def _number(field: int, n: int) -> bytes:
    return _varint(field << 3) + _varint(n)


def _bytes(field: int, data: bytes | str) -> bytes:
    raw = data.encode() if isinstance(data, str) else data
    return _varint(field << 3 | 2) + _varint(len(raw)) + raw


def _tensor(name: str, kind: int, dims: tuple[int, ...], raw: bytes) -> bytes:
    return b"".join(_number(1, d) for d in dims) + _number(2, kind) + _bytes(8, name) + _bytes(9, raw)


def _value_info(name: str, dims: tuple[int, ...]) -> bytes:
    shape = b"".join(_bytes(1, _number(1, d)) for d in dims)
    tensor_type = _number(1, FLOAT) + _bytes(2, shape)
    return _bytes(1, name) + _bytes(2, _bytes(1, tensor_type))


def network(
    size: int = 64,
    *,
    metadata: Mapping[str, str] | None = None,
    shapes: Mapping[str, tuple[int, ...]] | None = None,
    values: Mapping[str, float] | None = None,
    input_name: str = "image",
    leave_out: tuple[str, ...] = (),
) -> bytes:
    """A whole ONNX file whose outputs are constant.

    Args:
        size: side of its input, a multiple of 32.
        metadata: of the file; None for what ``ModelSpec`` writes for this size.
        shapes: outputs with another shape than the right one.
        values: the constant of an output, 0 where not given.
        input_name: of the one input.
        leave_out: outputs that are missing.
    """
    spec = ModelSpec(name="made", find_size=size, read_size=size)
    nodes, starts, ends = b"", b"", b""
    for name in OUTPUTS:
        if name in leave_out:
            continue
        dims = (shapes or {}).get(name, expected_shapes(size)[name])
        starts += _bytes(5, _tensor(f"{name}_shape", INT64, (len(dims),), struct.pack(f"<{len(dims)}q", *dims)))
        constant = _tensor("value", FLOAT, (1,), struct.pack("<f", (values or {}).get(name, 0.0)))
        attribute = _bytes(1, "value") + _bytes(5, constant) + _number(20, 4)
        nodes += _bytes(
            1, _bytes(1, f"{name}_shape") + _bytes(2, name) + _bytes(4, "ConstantOfShape") + _bytes(5, attribute)
        )
        ends += _bytes(12, _value_info(name, dims))
    graph = nodes + _bytes(2, "made") + starts + _bytes(11, _value_info(input_name, (1, 3, size, size))) + ends
    words = spec.to_metadata() if metadata is None else metadata
    props = b"".join(_bytes(14, _bytes(1, k) + _bytes(2, v)) for k, v in words.items())
    return _number(1, 8) + _bytes(7, graph) + _bytes(8, _bytes(1, "") + _number(2, 13)) + props
