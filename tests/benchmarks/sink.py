"""A receiver in a process of its own that takes everything: ``python -m tests.benchmarks.sink PORT``."""

import asyncio
import sys

from aiohttp import web


async def run(port: int) -> None:
    """Take posts until the process is ended."""
    runner = web.ServerRunner(web.Server(_take, access_log=None))
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", port).start()
    await asyncio.Event().wait()


async def _take(request: web.BaseRequest) -> web.StreamResponse:
    await request.read()
    return web.Response(status=202)


if __name__ == "__main__":
    asyncio.run(run(int(sys.argv[1])))
