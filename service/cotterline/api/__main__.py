"""Write the OpenAPI document: ``python -m cotterline.api > openapi/openapi.json``."""

import sys

from cotterline.main import openapi_document

sys.stdout.buffer.write(openapi_document())
