"""Pages of the site that are made of the code and of other files when it is built, so that they cannot fall behind."""

import re
import textwrap
from pathlib import Path
from typing import Any, Final

import click
import msgspec
from mkdocs.structure.files import File, Files

from cotterline.cli import COMMANDS, Commands
from cotterline.settings import PREFIX, Settings

TOP: Final = Path(__file__).parents[1]
DOCS: Final = TOP / "service/docs"


def on_files(files: Files, config: Any) -> Files:  # noqa: ANN401 - MkDocs's own
    """Add what is made."""
    made = {
        "index.md": _readme(),
        "settings.md": _settings(),
        "commands.md": _commands(),
        "glossary.md": "# Words\n\n" + _section(TOP / "DEVELOPERS.md", "Glossary"),
        "changelog.md": (TOP / "CHANGELOG.md").read_text("utf-8"),
        "decisions.md": _decisions(),
    }
    for name, text in made.items():
        files.append(File.generated(config, name, content=text))
    return files


def on_page_markdown(markdown: str, **_: object) -> str:
    """Lead links that leave the folder to where the site has what they lead to, or to nowhere."""
    markdown = re.sub(r"\]\((?:\.\./)*DEVELOPERS\.md\)", "](glossary.md)", markdown)
    markdown = re.sub(r"\]\(service/docs/decisions/?\)", "](decisions.md)", markdown)
    return re.sub(r"\]\(service/docs/([\w/.-]+)\)", r"](\1)", markdown)


def on_page_content(html: str, **_: object) -> str:
    """Have what is wide scroll by itself, also for who has no mouse."""
    html = html.replace("<pre>", '<pre tabindex="0">')
    return html.replace("<table>", '<div class="wide" tabindex="0"><table>').replace("</table>", "</table></div>")


def _readme() -> str:
    text = (TOP / "README.md").read_text("utf-8")
    return re.sub(r"\[([^\[\]]+)\]\((?:DEVELOPERS|CHANGELOG|LICENSE)[\w.]*\)", r"\1", text)


def _settings() -> str:
    told = dict(re.findall(r"^ {8}(\w+): (.*?)(?=^ {8}\w+: |\Z)", _attributes(), flags=re.MULTILINE | re.DOTALL))
    rows = ["# Settings", "", "Variables of the environment, read once at the start.", ""]
    rows += ["| variable | unless set | what it is |", "| --- | --- | --- |"]
    for field in msgspec.structs.fields(Settings):
        words = " ".join(told[field.name].split()).replace("``", "`")
        unless = f"`{field.default}`" if field.default != "" else ""
        rows.append(f"| `{PREFIX}{field.name.upper()}` | {unless} | {words} |")
    return "\n".join(rows) + "\n"


def _attributes() -> str:
    return (Settings.__doc__ or "").partition("Attributes:\n")[2]


def _commands() -> str:
    group = Commands(name="cotterline")
    parts = ["# Commands", ""]
    for name in COMMANDS:
        command = group.get_command(click.Context(group), name)
        if command is not None:
            parts += _command(command, f"cotterline {name}")
    return "\n".join(parts)


def _command(command: click.Command, name: str) -> list[str]:
    text = command.get_help(click.Context(command, info_name=name, max_content_width=90))
    parts = [f"## {name}", "", "```text", textwrap.dedent(text), "```", ""]
    if isinstance(command, click.Group):
        for each, below in command.commands.items():
            parts += _command(below, f"{name} {each}")
    return parts


def _section(file: Path, title: str) -> str:
    return file.read_text("utf-8").partition(f"\n## {title}\n")[2].partition("\n## ")[0].strip() + "\n"


def _decisions() -> str:
    rows = ["# Decisions", "", "Why things are as they are, one short record each.", ""]
    for file in sorted((DOCS / "decisions").glob("*.md")):
        title = file.read_text("utf-8").splitlines()[0].removeprefix("# ")
        rows.append(f"- [{title}](decisions/{file.name})")
    return "\n".join(rows) + "\n"
