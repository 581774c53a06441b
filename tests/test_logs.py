"""Every line logged is one JSON object, the server's own among them."""

import json
import subprocess
import sys

PROGRAM = """
import logging
import structlog
from cotterline.logs import write_json
early = structlog.get_logger("cotterline.requests")
write_json("info")
early.info("request", status=200)
early.debug("not worth it")
logging.getLogger("uvicorn.error").info("Uvicorn running on %s", "http://127.0.0.1:8000")
try:
    raise ValueError("broken\\nin two lines")
except ValueError:
    logging.getLogger("uvicorn.error").exception("failed")
"""


def test_every_line_is_one_json_object_with_level_time_and_origin() -> None:
    done = subprocess.run([sys.executable, "-c", PROGRAM], capture_output=True, text=True, check=True)  # noqa: S603
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["event"] for line in lines] == ["request", "Uvicorn running on http://127.0.0.1:8000", "failed"]
    assert [line["level"] for line in lines] == ["info", "info", "error"]
    assert [line["logger"] for line in lines] == ["cotterline.requests", "uvicorn.error", "uvicorn.error"]
    assert all(line["timestamp"].endswith("Z") for line in lines)
    assert "broken\nin two lines" in lines[2]["exception"]
    assert lines[0]["status"] == 200
    assert done.stderr == ""
