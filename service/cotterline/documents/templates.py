"""Pages people read: HTML from templates, with the page's one style written into it and nothing fetched from anywhere.

A template says its words with ``say`` and its numbers with ``language``. What it is handed is escaped; what it is not
handed is an error.
"""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from functools import cache
from hashlib import sha256
from importlib.resources import files
from typing import Final, NamedTuple

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from cotterline.documents.language import Language

ENVIRONMENT: Final = Environment(
    loader=PackageLoader("cotterline.documents", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
"""Reads ``templates/``."""


class Page(NamedTuple):
    """A page, and the Content-Security-Policy it is sent with."""

    html: str
    policy: str


def page(
    template: str, styles: Sequence[str], language: Language, values: Mapping[str, object], *, forms: str = "'none'"
) -> Page:
    """A page in a language.

    Args:
        template: its file in ``templates/``.
        styles: files of its style there, in order.
        language: whose words and customs it is told in.
        values: what the template shows, beside ``language``, ``say`` and ``style``.
        forms: where its forms may be sent, as ``form-action`` says it.
    """
    written = Markup("").join(map(_style, styles))
    told = ENVIRONMENT.get_template(template).render(values, language=language, say=language.say, style=written)
    return Page(told, policy(written, forms=forms))


def policy(style: str, *, forms: str = "'none'") -> str:
    """A policy that allows nothing but the page itself (W3C, Content Security Policy Level 3).

    Its one style is written in it, and named here by its hash.

    >>> policy("").split("; ")[1]
    "style-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
    """
    digest = b64encode(sha256(style.encode()).digest()).decode()
    return (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; "
        f"form-action {forms}; frame-ancestors 'none'"
    )


@cache
def _style(name: str) -> Markup:
    """A style of ours; it is written into the page as it stands."""
    return Markup(files("cotterline.documents").joinpath("templates", name).read_text("utf-8"))  # noqa: S704 - a file of this package
