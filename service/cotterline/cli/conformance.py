"""What ``check-receiver`` and ``check-supplier`` have in common: options, the trial itself, and how it is told."""

import asyncio
import functools
from collections.abc import Awaitable, Callable, Sequence
from datetime import UTC, datetime
from typing import IO, Any, Final, NamedTuple, TypeVar

import click
import msgspec

from cotterline.delivery.addresses import REFUSAL, Network
from cotterline.delivery.post import Poster
from cotterline.delivery.signatures import check_secret
from cotterline.partner_kit.checks import Check, Outcome, outcomes
from cotterline.partner_kit.trial import Trial
from cotterline.settings import networks_in

Kind = TypeVar("Kind")

_MARKS: Final = {True: ("fine", "green"), False: ("wrong", "red")}


class Chosen(NamedTuple):
    """What the options say.

    Attributes:
        url: the endpoint.
        secret: that it shares.
        networks: that may be posted to although they are not public.
        patience: seconds an answer may take.
        pause: seconds between two pieces of a slow body.
        only: names of the checks that are wanted; all where empty.
        as_json: whether programs read the outcome.
    """

    url: str
    secret: str
    networks: Sequence[Network]
    patience: float
    pause: float
    only: Sequence[str]
    as_json: bool


def options(checks: Sequence[Check[Any]]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options of a trial by these checks; it is called with what they say as ``chosen``."""
    names = click.Choice([each.name for each in checks])
    known = (
        _option("--json", "as_json", is_flag=True, help="Write JSON, for programs."),
        _option("--pause", default=0.1, type=click.FloatRange(0, 10), help="Seconds between pieces of a slow body."),
        _option("--patience", default=15.0, type=click.FloatRange(0.1, 60), help="Seconds an answer may take."),
        _option("--open-network", "networks", multiple=True, help="May be posted to though not public: 127.0.0.0/8."),
        _option("--only", multiple=True, type=names, help="Run this check; may be given again."),
        _option("--list", is_flag=True, is_eager=True, expose_value=False, callback=_list(checks), help="List checks."),
        _option("--secret-file", type=click.File(), help="Holds the secret (whsec_...); - is standard input."),
        click.argument("url"),
    )

    def add(command: Callable[..., None]) -> Callable[..., None]:
        @functools.wraps(command)
        def given(secret_file: IO[str] | None, networks: Sequence[str], **more: Any) -> None:  # noqa: ANN401 - options
            own = {name: more.pop(name) for name in ("url", "patience", "pause", "only", "as_json")}
            command(chosen=Chosen(secret=secret_in(secret_file), networks=_opened(networks), **own), **more)

        return functools.reduce(lambda made, option: option(made), known, given)

    return add


_option = functools.partial(click.option, show_default=True)


def _list(checks: Sequence[Check[Any]]) -> Callable[[click.Context, click.Parameter, bool], None]:
    def told(context: click.Context, _: click.Parameter, wanted: bool) -> None:  # noqa: FBT001 - click calls it so
        if wanted:
            for each in checks:
                click.echo(f"{each.name}: {each.tries}" + ("" if each.must else " (Not a must.)"))
            context.exit()

    return told


def secret_in(file: IO[str] | None) -> str:
    """The secret that a file holds, or that is typed.

    Raises:
        UsageError: it is none.
    """
    secret = str(file.read() if file else click.prompt("Secret (whsec_...)", hide_input=True)).strip()
    for fault in check_secret(secret, ""):
        raise click.UsageError(f"The secret cannot be used: {fault.detail}.")
    return secret


def _opened(networks: Sequence[str]) -> Sequence[Network]:
    try:
        return networks_in(",".join(networks))
    except ValueError as error:
        raise click.UsageError(f"--open-network: {error}.") from error


async def tried(checks: Sequence[Check[Kind]], kind: Kind, trial: Trial, only: Sequence[str]) -> Sequence[Outcome]:
    """Run those of the checks that are wanted."""
    return await outcomes([each for each in checks if not only or each.name in only], trial, kind)


def run(tries: Callable[[Trial], Awaitable[Sequence[Outcome]]], chosen: Chosen) -> int:
    """Try a program, tell what came of it, and return the status: 0 where every must holds."""
    found = asyncio.run(_trial(tries, chosen))
    if chosen.as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(found)))
    else:
        _tell(found)
    return 1 if any(each.wrong and each.must for each in found) else 0


async def _trial(tries: Callable[[Trial], Awaitable[Sequence[Outcome]]], chosen: Chosen) -> Sequence[Outcome]:
    async with Poster(chosen.networks) as poster:
        trial = Trial(
            poster,
            chosen.url,
            chosen.secret,
            lambda: datetime.now(UTC),
            patience=chosen.patience,
            pause=chosen.pause,
        )
        return await tries(trial)


def _tell(found: Sequence[Outcome]) -> None:
    width = max(len(each.name) for each in found)
    for each in found:
        mark, colour = _MARKS[not each.wrong] if each.must or not each.wrong else ("better", "yellow")
        click.echo(click.style(f"{mark:7}", fg=colour) + f"{each.name:{width}}  {each.wrong}".rstrip())
        if each.wrong:
            click.echo(f"{'':7}{each.tries}\n{'':7}{each.mend} ({each.source})")
    wrong = sum(bool(each.wrong) for each in found if each.must)
    better = sum(bool(each.wrong) for each in found if not each.must)
    click.echo(f"{len(found)} checks: {wrong} wrong, {better} could be better.")
    if any(REFUSAL in each.wrong for each in found):
        click.echo("What is not public is posted to with --open-network, for this machine 127.0.0.0/8.")
