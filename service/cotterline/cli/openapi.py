"""``cotterline openapi``: the API document, as the service gives it."""

import click

from cotterline.main import openapi_document


@click.command()
def openapi() -> None:
    """Write the OpenAPI 3.1 document to standard output."""
    click.echo(openapi_document(), nl=False)
