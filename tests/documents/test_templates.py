"""Pages escape what they are handed, miss nothing quietly, and allow nothing but themselves."""

import pytest
from jinja2 import UndefinedError
from markupsafe import Markup

from cotterline.documents.templates import ENVIRONMENT, policy


def test_what_a_template_is_handed_is_escaped() -> None:
    told = ENVIRONMENT.from_string("{{ words }}").render(words="<script>&\"'")
    assert told == "&lt;script&gt;&amp;&#34;&#39;"
    assert ENVIRONMENT.from_string("{{ words }}").render(words=Markup("<b>")) == "<b>"


def test_what_a_template_is_not_handed_is_an_error() -> None:
    with pytest.raises(UndefinedError, match="missing"):
        ENVIRONMENT.from_string("{{ missing }}").render()


def test_a_page_names_its_style_by_its_hash_and_where_its_forms_go() -> None:
    # SHA-256 of no bytes at all, in base64: FIPS 180-4, as openssl dgst prints it.
    assert "style-src 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='" in policy("")
    assert "form-action 'none'" in policy("")
    assert "form-action 'self'" in policy("", forms="'self'")
    assert policy("").startswith("default-src 'none'; ")
