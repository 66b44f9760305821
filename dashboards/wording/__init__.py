"""
Everything people read, as data beside this module: `desk.toml` for the service desk, one file a language for letters.

Letters are written in whole sentences with plural forms, so that a language may order its words as it likes.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from importlib import resources
from typing import Any

from dashboards.shown import number, significant
from diagnostics.units import convert

FALLBACK_LANGUAGE = "en"


@lru_cache(maxsize=16)
def _toml(name: str) -> dict[str, Any]:
    return tomllib.loads(resources.files("dashboards").joinpath("wording", name).read_text(encoding="utf-8"))


def desk() -> Mapping[str, Any]:
    """Return the words of the service desk's pages."""
    return _toml("desk.toml")


def letter_languages() -> list[str]:
    """Return the languages a letter can be written in."""
    files = resources.files("dashboards").joinpath("wording").iterdir()
    return sorted(file.name.removeprefix("letter_").removesuffix(".toml") for file in files
                  if file.name.startswith("letter_") and file.name != "letter_actions.toml")


def letter_actions() -> Mapping[str, list[str]]:
    """Return which actions an owner may be asked for, by cause."""
    return dict(_toml("letter_actions.toml")["actions"])


def cause_labels() -> dict[str, str]:
    """Return the trade's word for each cause: the diagnosis' own where it has one, otherwise the desk's."""
    labels: dict[str, str] = dict(desk()["cause"])
    try:
        from diagnostics.causes import CAUSES
    except ImportError:
        return labels
    return labels | {code: cause.label for code, cause in CAUSES.items()}


def caution_texts() -> dict[str, str]:
    """Return the fixed caution text of each danger code."""
    try:
        from diagnostics.causes import CAUTIONS
    except ImportError:
        return {}
    return dict(CAUTIONS)


@dataclass(frozen=True, slots=True)
class Wording:
    """One language of the letters."""

    code: str
    words: Mapping[str, Any]

    @property
    def direction(self) -> str:
        """Return ltr or rtl."""
        return str(self.words["language"]["direction"])

    def say(self, sentence: str, *, count: float | None = None, **values: object) -> str:
        """
        Return one sentence filled in; `count` chooses the plural form and is printed where the sentence says {count}.

        Raises
        ------
        KeyError
            If the language file lacks the sentence: a test holds all files to the same set.
        """
        found = self.words["sentence"][sentence]
        if isinstance(found, Mapping):
            found = found[self._form(1.0 if count is None else count)]
        if count is not None:
            values["count"] = f"{count:.0f}" if float(count).is_integer() else self.number(count, 2)
        return str(found).format(**values)

    def cause(self, code: str) -> str:
        """Return a cause in the owner's words."""
        causes = self.words["cause"]
        return str(causes.get(code, causes["unexplained"]))

    def action(self, key: str) -> str:
        """Return what an owner may be asked to do."""
        return str(self.words["action"][key])

    def number(self, value: float, digits: int = 2) -> str:
        """Print a rounded number with the marks of the language."""
        style = self.words["language"]
        return number(value, digits, decimal=style["decimal"], thousands=style["thousands"])

    def volume(self, value_m3: float, unit: str, digits: int = 2) -> str:
        """Print a rounded volume with the unit's name in the plural form that its number asks for."""
        shown = significant(float(convert(value_m3, "m3", unit)), digits)
        return str(self.words["unit"][unit][self._form(shown)]).format(number=self.number(shown, digits))

    def day(self, when: date) -> str:
        """Print a day of the year, without the year."""
        style = self.words["language"]
        number_ = style.get("first_day", "1") if when.day == 1 else when.day
        return str(style["day"]).format(day=number_, month=self.month(when))

    def month(self, when: date) -> str:
        """Return the month's name."""
        return str(self.words["language"]["months"][when.month - 1])

    def _form(self, count: float) -> str:
        below_two = self.words["language"]["plural"] == "one_below_two"
        return "one" if (abs(count) < 2.0 if below_two else abs(count) == 1.0) else "other"


def letter_wording(language: str) -> Wording:
    """Return the letter's words in a language ('es-MX' takes 'es'); English where there is no file for it."""
    code = language.replace("_", "-").split("-")[0].lower()
    code = code if code in letter_languages() else FALLBACK_LANGUAGE
    return Wording(code, _toml(f"letter_{code}.toml"))
