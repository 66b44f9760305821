"""The door where written units become canonical ones: exactly one unit a quantity, unknown keys refused."""

from collections.abc import Mapping
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, model_validator

from diagnostics.units import convert, same_dimension, split_unit


class Described(BaseModel):
    """
    Base of everything an installer writes down.

    A field `static_water_level_m` may be written `static_water_level_ft` instead; it is converted on the way in.
    Writing both is refused, and so is any key that no field knows.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="before")
    @classmethod
    def _to_canonical_units(cls, written: Any) -> Any:
        if not isinstance(written, Mapping):
            return written
        fields_by_stem: dict[str, tuple[str, str]] = {}
        for field in cls.model_fields:
            parts = split_unit(field)
            if parts:
                fields_by_stem.setdefault(parts[0], (field, parts[1]))
        canonical: dict[str, Any] = {}
        written_as: dict[str, str] = {}
        for key, value in written.items():
            field, converted = key, value
            parts = None if key in cls.model_fields else split_unit(str(key))
            if parts and parts[0] in fields_by_stem:
                target, target_suffix = fields_by_stem[parts[0]]
                if same_dimension(parts[1], target_suffix):
                    field = target
                    converted = _convert_nested(value, parts[1], target_suffix)
            if field in written_as:
                raise ValueError(f"'{key}' and '{written_as[field]}' say the same thing in two units; keep one.")
            written_as[field] = str(key)
            canonical[field] = converted
        return canonical

    def replaced(self, **changes: Any) -> Self:
        """Return a checked copy with some fields changed."""
        return type(self).model_validate({**self.model_dump(exclude_unset=True), **changes})


def _convert_nested(value: Any, from_suffix: str, to_suffix: str) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, (int, float)):
        return float(convert(value, from_suffix, to_suffix))
    if isinstance(value, (list, tuple)):
        return [_convert_nested(item, from_suffix, to_suffix) for item in value]
    return value
