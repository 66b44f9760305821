"""The one jinja environment of pages and letters: autoescape always on, undefined names are errors."""

from functools import lru_cache
from importlib import resources

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from dashboards import shown


@lru_cache(maxsize=1)
def environment() -> Environment:
    """Return the environment; everything printed is escaped unless it was made as markup here."""
    made = Environment(loader=PackageLoader("dashboards", "templates"), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)
    made.filters.update(
        clean=shown.clean, number=shown.number, percent=shown.percent, with_unit=shown.with_unit, hours=shown.hours,
        confidence_word=shown.confidence_word, volume=shown.volume)
    return made


@lru_cache(maxsize=4)
def style(name: str) -> Markup:
    """Return one of our own style sheets, to be set into the page."""
    return Markup(resources.files("dashboards").joinpath("style", name).read_text(encoding="utf-8"))  # noqa: S704


def html_page(template: str, **values: object) -> str:
    """Render one template."""
    return environment().get_template(template).render(style=style, **values)
