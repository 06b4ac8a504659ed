"""Renders the HTML that the server writes itself, from the Jinja templates in `dashboard/templates/`."""

from jinja2 import Environment, PackageLoader, StrictUndefined

from quietward.drawing.strip import millimetres

_environment = Environment(
    loader=PackageLoader("quietward.dashboard"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_environment.filters["mm"] = millimetres


def render(template: str, **values: object) -> str:
    """Return a template filled in; every value is escaped. Raises jinja2.UndefinedError for a value that is missing."""
    return _environment.get_template(template).render(**values)
