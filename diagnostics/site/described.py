"""The door where written units become canonical ones: exactly one unit a quantity, unknown keys refused."""

from collections.abc import Mapping
from typing import Any, Self, get_args

from pydantic import BaseModel, ConfigDict, field_validator, model_validator
from pydantic_core.core_schema import ValidationInfo

from diagnostics.units import convert, same_dimension, split_unit

# Names whose last letter is a symbol of the trade and no unit: Hazen-Williams C, loss coefficients K.
PLAIN_NUMBERS: frozenset[str] = frozenset({
    "hazen_williams_c", "minor_loss_k", "strainer_loss_k", "nozzle_loss_k", "throat_loss_k", "diffuser_loss_k",
    "suction_loss_k",
})


def split_field(field: str) -> tuple[str, str] | None:
    """Split the name of a field into stem and unit ending; None for a plain number, a word or a table."""
    return None if field in PLAIN_NUMBERS else split_unit(field)


class Described(BaseModel):
    """
    Base of everything an installer writes down.

    A field `static_water_level_m` may be written `static_water_level_ft` instead; it is converted on the way in.
    Writing both is refused, and so is any key that no field knows.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @classmethod
    def field_of(cls, key: str) -> tuple[str, str, str] | None:
        """
        Find the field that a written key fills.

        Parameters
        ----------
        key : str
            A key as somebody wrote it, for instance ``static_water_level_ft``.

        Returns
        -------
        field_and_units : tuple of str, or None
            Name of the field, unit ending as written, unit ending of the field (both empty where the key is the field
            itself); None where no field knows the key.
        """
        if key in cls.model_fields:
            return key, "", ""
        parts = split_unit(key)
        if parts is None:
            return None
        for field in cls.model_fields:
            target = split_field(field)
            if target and target[0] == parts[0] and same_dimension(parts[1], target[1]):
                return field, parts[1], target[1]
        return None

    @classmethod
    def canonical(cls, written: Mapping[str, Any]) -> dict[str, Any]:
        """
        Bring every key of a written table to the field it fills, in that field's unit.

        Parameters
        ----------
        written : mapping of str to value
            Keys as written; nested tables are left as they are.

        Returns
        -------
        canonical : dict
            The same with canonical keys and values. Keys that no field knows are kept, to be refused later.

        Raises
        ------
        ValueError
            If two keys say the same thing in two units.
        """
        canonical: dict[str, Any] = {}
        written_as: dict[str, str] = {}
        for key, value in written.items():
            found = cls.field_of(str(key))
            field, converted = str(key), value
            if found and found[1]:
                field, converted = found[0], _convert_nested(value, found[1], found[2])
            if field in written_as:
                raise ValueError(f"'{key}' and '{written_as[field]}' say the same thing in two units; keep one.")
            written_as[field] = str(key)
            canonical[field] = converted
        return canonical

    @model_validator(mode="before")
    @classmethod
    def _to_canonical_units(cls, written: Any) -> Any:
        return cls.canonical(written) if isinstance(written, Mapping) else written

    @field_validator("*", mode="before")
    @classmethod
    def _numbers_are_numbers(cls, value: Any, info: ValidationInfo) -> Any:
        if info.field_name and split_field(info.field_name) and isinstance(value, (str, bool)):
            raise ValueError(f"{value!r} is not a number: write the number without quotes and without its unit, the "
                             "unit stands in the key.")
        return value

    def replaced(self, **changes: Any) -> Self:
        """Return a checked copy with some fields changed."""
        return type(self).model_validate({**self.model_dump(exclude_unset=True), **changes})


def field_of(model: type[BaseModel], key: str) -> tuple[str, str, str] | None:
    """Find the field of any model that a written key fills; only a Described model takes other units."""
    if issubclass(model, Described):
        return model.field_of(key)
    return (key, "", "") if key in model.model_fields else None


def part_of(model: type[BaseModel], field: str) -> type[BaseModel] | None:
    """Return the model that a field holds, alone, optional or in a list or table; None for plain values."""
    info = model.model_fields.get(field)
    return None if info is None else _model_in(info.annotation)


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _model_in(inner)
        if found is not None:
            return found
    return None


def _convert_nested(value: Any, from_suffix: str, to_suffix: str) -> Any:
    if isinstance(value, bool):
        return value
    if isinstance(value, (int, float)):
        try:
            return float(convert(float(value), from_suffix, to_suffix))
        except OverflowError:
            return value
    if isinstance(value, (list, tuple)):
        return [_convert_nested(item, from_suffix, to_suffix) for item in value]
    if isinstance(value, Mapping):
        return {key: _convert_nested(item, from_suffix, to_suffix) for key, item in value.items()}
    return value
