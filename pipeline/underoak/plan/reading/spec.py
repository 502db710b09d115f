"""Base class of every part of a plan: frozen, unknown keys refused, numbers finite, faults in plain words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any

from pydantic import (
    BaseModel,
    ConfigDict,
    GetJsonSchemaHandler,
    ModelWrapValidatorHandler,
    ValidationError,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, InitErrorDetails

from underoak.base.errors import UnderoakError
from underoak.plan.reading.faults import PendingFault, plain_errors, refusal
from underoak.plan.reading.key_docs import key_docs

PlacedFault = tuple[tuple[int | str, ...], PendingFault]  # the key inside the part, and the fault


class Spec(BaseModel):
    """A part of a plan or profile."""

    model_config = ConfigDict(
        frozen=True,
        extra="forbid",
        allow_inf_nan=False,
        serialize_by_alias=True,
        defer_build=True,
    )

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        """Add the docstrings of the keys: pydantic would read all sources again in every process that loads a plan."""
        schema = handler(core_schema)
        properties = handler.resolve_ref_schema(schema).get("properties", {})
        for name, words in key_docs(cls).items():
            field = cls.model_fields.get(name)
            if field is not None:
                properties[field.alias or name].setdefault("description", words)
        return schema

    @model_validator(mode="wrap")
    @classmethod
    def _in_plain_words(cls, data: Any, handler: ModelWrapValidatorHandler[Any]) -> Any:
        """Put the errors of this part into plain words: only here are its keys known."""
        try:
            return handler(data)
        except ValidationError as error:
            keys = [field.alias or name for name, field in cls.model_fields.items()]
            raise ValidationError.from_exception_data(cls.__name__, list(plain_errors(error, keys))) from None


def refuse_all(faults: Iterable[PlacedFault], part: Spec) -> None:
    """Raise all faults of one part at once, each at its own key; without faults, do nothing."""
    errors = [InitErrorDetails(type=refusal(*fault), loc=loc, input=part) for loc, fault in faults]
    if errors:
        raise ValidationError.from_exception_data(type(part).__name__, errors)


@contextmanager
def as_validation_errors(code: str = "") -> Iterator[None]:
    """Raise an `UnderoakError` of another package as a validation error, so that it gets a place in the file.

    A `code` replaces the codes of its faults.
    """
    try:
        yield
    except UnderoakError as error:
        errors = [InitErrorDetails(type=refusal(code or f.code, f.what, f.fix), input=None) for f in error.faults]
        raise ValidationError.from_exception_data("faults", errors) from None
