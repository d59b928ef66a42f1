"""A pipeline file to a checked pipeline: every stage named once, every key a parameter of its method."""

from __future__ import annotations

import difflib
import hashlib
import inspect
import tomllib
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import TypeAdapter, ValidationError

from zonemap.errors import InputError
from zonemap.pipeline.stages import LEFT_OUT, PROVIDED, STAGES, Method

#: where the project's own pipelines lie: inside an installed wheel, or at the top of a checkout
_SHIPPED = (Path(__file__).parent.parent / "shipped_pipelines", Path(__file__).parent.parent.parent / "pipelines")


@dataclass(frozen=True, slots=True)
class Pipeline:
    """One method for every stage, its parameters bound.

    Attributes
    ----------
    name, text, sha256
        Of the file, kept for the record.
    methods
        stage -> method with its parameters.
    """

    name: str
    text: str
    sha256: str
    methods: Mapping[str, Method]

    def __post_init__(self) -> None:
        object.__setattr__(self, "methods", MappingProxyType(dict(self.methods)))

    def run(self, stage: str, *values: object, **provided: object) -> Any:
        """Apply the method chosen for a stage."""
        return self.methods[stage](*values, **provided)

    def takes(self, stage: str, provided: str) -> bool:
        """Whether the method chosen for a stage has a parameter of that name."""
        return provided in inspect.signature(self.methods[stage]).parameters


def shipped_pipelines() -> tuple[str, ...]:
    """Names of the pipelines that come with the package, sorted."""
    return tuple(sorted(path.stem for path in _shipped_folder().glob("*.toml")))


def read_pipeline(name_or_file: str) -> Pipeline:
    """Read a pipeline by the name of a shipped one or by file.

    Raises
    ------
    InputError
        Unknown name, unreadable file, or anything `parse_pipeline` refuses.
    """
    path = Path(name_or_file)
    if path.suffix != ".toml" and name_or_file in shipped_pipelines():
        path = _shipped_folder() / f"{name_or_file}.toml"
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        mend = f"Name a .toml file, or one of {', '.join(shipped_pipelines())}."
        raise InputError(f"pipeline {name_or_file}", f"it cannot be read ({error.__class__.__name__})", mend) from error
    return parse_pipeline(text, name=path.stem)


def parse_pipeline(text: str, *, name: str) -> Pipeline:
    """Check a pipeline before anything runs.

    Raises
    ------
    InputError
        A stage is missing or unknown, a method is unknown, a key is not a parameter of its method, or a value has the
        wrong type; the message names the key.
    """
    where = f"pipeline {name}"
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(where, f"it is not TOML ({error})", "Mend that line.") from error
    for stage in tables:
        if stage not in STAGES:
            raise InputError(where, f"[{stage}] is not a stage", _nearest(stage, STAGES))
    tables = {stage: {"use": use} for stage, use in LEFT_OUT.items()} | tables
    missing = [stage for stage in STAGES if stage not in tables]
    if missing:
        raise InputError(where, f"[{missing[0]}] is missing", f"Add it with use = one of {_names(STAGES[missing[0]])}.")
    methods = {stage: _method(stage, tables[stage], where) for stage in STAGES}
    return Pipeline(name, text, hashlib.sha256(text.encode()).hexdigest(), methods)


def parameters_of(stage: str, method: Method) -> dict[str, inspect.Parameter]:
    """Keys a pipeline may set for a method: its keyword-only parameters less what the flow provides."""
    signature = inspect.signature(method)
    provided = PROVIDED.get(stage, frozenset())
    return {
        name: parameter
        for name, parameter in signature.parameters.items()
        if parameter.kind is inspect.Parameter.KEYWORD_ONLY and name not in provided
    }


def _method(stage: str, table: object, where: str) -> Method:
    if not isinstance(table, dict) or "use" not in table:
        raise InputError(f"{where}, {stage}", "'use' is missing", f"Set use = one of {_names(STAGES[stage])}.")
    use = table["use"]
    if use not in STAGES[stage]:
        raise InputError(f"{where}, {stage}.use", f"'{use}' is not a method", _nearest(str(use), STAGES[stage]))
    method = STAGES[stage][use]
    parameters = parameters_of(stage, method)
    hints = typing.get_type_hints(method)
    bound = {}
    for key, value in table.items():
        if key == "use":
            continue
        if key not in parameters:
            mend = _nearest(key, parameters) if parameters else f"{use} takes no keys."
            raise InputError(f"{where}, {stage}.{key}", f"'{key}' is not a parameter of {use}", mend)
        bound[key] = _checked(value, hints[key], f"{where}, {stage}.{key}")
    unset = [n for n, p in parameters.items() if p.default is inspect.Parameter.empty and n not in bound]
    if unset:
        raise InputError(f"{where}, {stage}.{unset[0]}", f"{use} needs it", f"Add {unset[0]} = ... under [{stage}].")
    return partial(method, **bound)


def _checked(value: object, hint: Any, where: str) -> object:
    """Check one value against a parameter's type; an integer serves for a float, nothing else is converted."""
    try:
        return TypeAdapter(hint).validate_python(value, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        raise InputError(where, f"{value!r} does not fit", f"{first['msg'].rstrip('.')}.") from error


def _nearest(word: str, known: Mapping[str, object]) -> str:
    close = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean {close[0]}?" if close else f"Use one of {_names(known)}."


def _names(known: Mapping[str, object]) -> str:
    return ", ".join(known)


def _shipped_folder() -> Path:
    return next((folder for folder in _SHIPPED if folder.is_dir()), _SHIPPED[0])
