"""Renders the HTML that the server writes itself, from the Jinja templates in `dashboard/templates/`."""

from jinja2 import Environment, PackageLoader, StrictUndefined

from quietward.contracts.errors import QuietwardError
from quietward.language.catalogue import reader

_environment = Environment(
    loader=PackageLoader("quietward.dashboard"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_environment.filters["mm"] = "{:.2f}".format  # a length on paper
_environment.filters["said"] = lambda sentence: reader.get().said(str(sentence))
_environment.globals["_"] = lambda english, **values: reader.get().text(english, **values)


def render(template: str, **values: object) -> str:
    """Return a template filled in, in the reader's language; every value is escaped.

    Raises jinja2.UndefinedError for a value that is missing.
    """
    return _environment.get_template(template).render(language=reader.get().name, **values)


def error_in_words(error: Exception) -> str:
    """Return an error as one line in the reader's language."""
    return error.in_words(reader.get().said) if isinstance(error, QuietwardError) else str(error)
