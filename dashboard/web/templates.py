"""Renders the HTML that the server writes itself, from the Jinja templates in `dashboard/templates/`."""

from jinja2 import Environment, PackageLoader, StrictUndefined


def _millimetres(length: float) -> str:
    return f"{length:.2f}"


_environment = Environment(
    loader=PackageLoader("quietward.dashboard"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_environment.filters["mm"] = _millimetres


def render(template: str, **values: object) -> str:
    """Return a template filled in; every value is escaped. Raises jinja2.UndefinedError for a value that is missing."""
    return _environment.get_template(template).render(**values)
