"""A run of many bicycles, sent by the command that partners have, and worked by both hosts beside everything else."""

import asyncio
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from tests.command_line import environment
from tests.faults.clients import json_lines, numbers
from tests.faults.ledger import Answers

SECONDS: Final = 600.0
"""The command asks for ten minutes where nobody answers."""


async def answered(address: str, headers: Mapping[str, str], folder: Path, bicycles: int) -> Answers:
    """Have a file quoted by the service, and give what came back.

    Args:
        address: of the host it is sent to.
        headers: that let it in.
        folder: for the file.
        bicycles: how many.

    Raises:
        RuntimeError: the command gave up.
    """
    file = folder / "bicycles.jsonl"
    file.write_bytes(json_lines(bicycles))
    key = headers["Authorization"].removeprefix("Bearer ")
    command = ("-P", "-m", "cotterline.cli", "quote", str(file), "--service", address, "--as", "json-lines")
    run = await asyncio.create_subprocess_exec(
        sys.executable,
        *command,
        env=environment(COTTERLINE_KEY=key),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    async with asyncio.timeout(SECONDS):
        out, said = await run.communicate()
    if run.returncode:
        raise RuntimeError(f"a run was given up: {said.decode()}")
    return Answers("the run", bicycles, numbers(out))
