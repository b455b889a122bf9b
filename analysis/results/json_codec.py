"""Frozen results as JSON and back, with the schema that other programs can hold a file against.

One codec for all of them: pydantic reads the types as they are annotated. Numbers keep all their digits; not known is
``null``, never zero; what is not a number stands in an array as ``null`` too.
"""

import json
import sys
from typing import Annotated, Any, TypeVar, cast

import numpy as np
from pydantic import PlainSerializer, PlainValidator, TypeAdapter, ValidationError

from standbook.analysis.results.results import Results
from standbook.daq.arrays import Array

T = TypeVar("T")
SCHEMA_FILE = "results.schema.json"  # beside this module; a test holds it to the types
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def to_json(results: Results) -> str:
    """Write results as indented JSON."""
    return json.dumps(plain(Results, results), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def from_json(text: str) -> Results:
    """Read what :func:`to_json` wrote.

    Raises
    ------
    ValueError
        Not JSON, or not the shape of ``Results``.
    """
    return built(Results, json.loads(text))


def plain(kind: type[T], value: T) -> Any:  # noqa: ANN401 - what JSON knows
    """Turn a frozen value into what JSON knows."""
    return _adapter(kind).dump_python(value)


def built(kind: type[T], value: object) -> T:
    """Turn what JSON gave back into a frozen value.

    Raises
    ------
    ValueError
        Not of that shape; the first place that differs is named.
    """
    try:
        return cast("T", _adapter(kind).validate_python(value))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise ValueError(f"{place or kind.__name__}: {first['msg']}") from None


def results_schema() -> dict[str, Any]:
    """Return the JSON Schema of ``results.json``; the file of it beside this module is what other programs read."""
    found = _adapter(Results).json_schema(mode="serialization")
    return {"$schema": DIALECT, "title": "standbook results", **{k: v for k, v in found.items() if k != "title"}}


_ADAPTERS: dict[type, TypeAdapter[Any]] = {}  # made once: each takes some milliseconds


def _adapter(kind: type) -> TypeAdapter[Any]:
    if kind not in _ADAPTERS:
        _ADAPTERS[kind] = TypeAdapter(kind)
    return _ADAPTERS[kind]


def _listed(values: Array) -> list[float | None]:
    return [float(value) if np.isfinite(value) else None for value in values]


def _array(values: object) -> Array:
    array = np.array(
        [np.nan if value is None else value for value in cast(list[float | None], values)], dtype=np.float64
    )
    array.flags.writeable = False
    return array


JsonArray = Annotated[
    Array,
    PlainValidator(_array),
    PlainSerializer(_listed, return_type=list[float | None]),
]
"""An array of one dimension that is written as a list."""


if __name__ == "__main__":  # python -m standbook.analysis.results.json_codec > analysis/results/results.schema.json
    sys.stdout.write(json.dumps(results_schema(), indent=1, ensure_ascii=False) + "\n")
