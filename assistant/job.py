"""A job file: one contract's limits, meter and labels, as TOML that a person can write.

    job = "Tern Hollow footbridge"          # labels: job, mix, producer, station, technician, meter
    chamber_ratio = 0.0612                  # settings: see assistant/core/settings.py
    rounding = "half-even"
    [limits]
    air_content = { min = 4.5, max = 7.5 }
    system_air_metric = { max = 0.20 }      # the decimals written are the place that results are compared at
"""
from __future__ import annotations

import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from assistant.script import ScriptError


class JobError(ScriptError):
    """A job file is wrong: file, key, what is allowed."""


def read(path: Path) -> dict[str, Any]:
    """Labels and settings of the job, as ``script.header_of`` takes them. Raises JobError."""
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"), parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        raise JobError(f"{path}: this is no valid TOML: {error}. Mend that line.") from None
    except RecursionError:
        raise JobError(f"{path}: it is nested too deep to be a job file.") from None
    except (OSError, UnicodeDecodeError) as error:
        raise JobError(f"The job file {path} can't be read: {error}. Name another with --job.") from None
    if "limits" in given:
        given["limits"] = {name: _limits(name, value, path) for name, value in _table(given["limits"], path).items()}
    return given


def _table(value: Any, path: Path) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise JobError(f'{path}: "limits" must be a table, such as limits = {{ air_content = {{ min = 4.5 }} }}.')
    return value


def _limits(name: str, value: Any, path: Path) -> list[Any]:
    if not isinstance(value, Mapping) or not value or not set(value) <= {"min", "max"}:
        raise JobError(f"{path}: limits, {name}: write {{ min = …, max = … }}, or one of the two; not {value!r}.")
    return [value.get("min"), value.get("max")]
