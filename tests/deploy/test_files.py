"""What stands in deploy/ is right by the checker of its own kind, and names commands and settings there are."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import msgspec
import yaml

from cotterline.cli import COMMANDS
from cotterline.settings import KEY_VARIABLE, PREFIX, Settings
from tests.contract.node import give_up

DEPLOY = Path(__file__).parents[2] / "deploy"
UNITS = sorted(DEPLOY.glob("systemd/*"))
EXPOSURE = 2.0
"""Most that systemd-analyze may call a unit exposed; 0 is least, and above 5 it is "medium" or worse."""


def found(name: str, install: str) -> str:
    """Where a program is; where it is missing, say what to install."""
    programs = os.pathsep.join((str(Path(sys.executable).parent), os.environ["PATH"], "/usr/sbin"))
    program = shutil.which(name, path=programs)
    return program or give_up(f"install {install} for {name}", os.environ)


def checked(*command: str, install: str) -> str:
    """Run a checker in deploy/ and give what it said."""
    run = (found(command[0], install), *command[1:])
    done = subprocess.run(run, cwd=DEPLOY, capture_output=True, text=True, timeout=60, check=False)  # noqa: S603 - a checker
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def test_the_container_file_is_right() -> None:
    checked("hadolint", "Containerfile", install="the extra 'tests'")


def test_the_manifests_are_right() -> None:
    files = sorted(str(each) for each in DEPLOY.glob("kubernetes/*.yaml"))
    said = checked("kubernetes-validate", "--strict", "-k", "1.33", *files, install="the extra 'tests'")
    assert said.count(" passed for resource ") == 9


def test_the_compose_file_is_right(tmp_path: Path) -> None:
    shutil.copy(DEPLOY / "compose.yaml", tmp_path)
    shutil.copy(DEPLOY / "environment.example", tmp_path / "environment")
    checked("docker-compose", "-f", str(tmp_path / "compose.yaml"), "config", "-q", install="docker-compose")


def test_the_units_are_right_and_shut_in(tmp_path: Path) -> None:
    program = tmp_path / "cotterline"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    for unit in UNITS:
        text = unit.read_text("utf-8").replace("/opt/cotterline/bin/cotterline", str(program))
        (tmp_path / unit.name).write_text(text)
    checked("systemd-analyze", "verify", *(str(tmp_path / unit.name) for unit in UNITS), install="systemd")
    for unit in UNITS:
        if unit.suffix == ".service":
            said = checked("systemd-analyze", "security", "--offline=true", str(unit), install="systemd")
            level = re.search(r"exposure level for \S+: ([0-9.]+)", said)
            assert level, said
            assert float(level[1]) < EXPOSURE


def test_the_alerts_are_right_and_fire_when_they_should() -> None:
    checked("promtool", "check", "rules", "prometheus/rules.yaml", install="prometheus")
    assert "SUCCESS" in checked("promtool", "test", "rules", "prometheus/rules.test.yaml", install="prometheus")


def test_what_is_read_is_right_and_has_the_alerts() -> None:
    files = sorted(DEPLOY.glob("prometheus/*.yaml"))
    read = {each: yaml.safe_load(each.read_text("utf-8")) for each in files if "rules" not in each.name}
    assert len(read) == 3
    for file, content in read.items():
        checked("promtool", "check", "config", "--syntax-only", str(file), install="prometheus")
        assert content["rule_files"] == ["rules.yaml"]
        assert [job["job_name"] for job in content["scrape_configs"]] == ["cotterline"]


def test_no_pod_is_given_variables_that_name_services() -> None:
    # A service "cotterline" would set COTTERLINE_PORT to tcp://..., and no setting may be unknown or of the wrong kind.
    manifests = yaml.safe_load_all((DEPLOY / "kubernetes/cotterline.yaml").read_text("utf-8"))
    pods = [each["spec"]["template"]["spec"] for each in manifests if "template" in each.get("spec", {})]
    assert [pod["enableServiceLinks"] for pod in pods] == [False] * 3


def test_a_worker_is_asked_where_it_tells_of_itself() -> None:
    compose = yaml.safe_load((DEPLOY / "compose.yaml").read_text("utf-8"))["services"]["worker"]
    asked = re.findall(
        r"urlopen\('http://127\.0\.0\.1:(\d+)/health/live'", (DEPLOY / "Containerfile").read_text("utf-8")
    )
    assert asked == [compose["environment"]["COTTERLINE_WORKER_PORT"]]
    unit = (DEPLOY / "systemd/cotterline-worker.service").read_text("utf-8")
    (job,) = yaml.safe_load((DEPLOY / "prometheus/one-machine.yaml").read_text("utf-8"))["scrape_configs"]
    (port,) = re.findall(r"^Environment=COTTERLINE_WORKER_PORT=(\d+)$", unit, flags=re.MULTILINE)
    assert f"127.0.0.1:{port}" in job["static_configs"][0]["targets"]
    manifests = yaml.safe_load_all((DEPLOY / "kubernetes/cotterline.yaml").read_text("utf-8"))
    (pod,) = [each for each in manifests if each["metadata"]["name"] == "cotterline-worker"]
    (container,) = pod["spec"]["template"]["spec"]["containers"]
    told = {each["name"]: each["value"] for each in container["env"]}
    assert [str(each["containerPort"]) for each in container["ports"]] == [told["COTTERLINE_WORKER_PORT"]]
    assert {container[f"{kind}Probe"]["httpGet"]["port"] for kind in ("startup", "liveness", "readiness")} == {"http"}


def test_every_alert_gives_advice() -> None:
    (group,) = yaml.safe_load((DEPLOY / "prometheus/rules.yaml").read_text("utf-8"))["groups"]
    for rule in group["rules"]:
        assert {*rule["annotations"]} == {"summary", "advice"}, rule["alert"]


def test_every_command_is_there() -> None:
    started = {*commands()}
    assert {"serve", "worker", "migrate", "backup"} == started
    assert started <= {*COMMANDS}


def commands() -> Iterator[str]:
    """What each file starts the program with."""
    for unit in UNITS:
        yield from re.findall(r"^ExecStart=\S+/cotterline (\S+)", unit.read_text("utf-8"), flags=re.MULTILINE)
    container = (DEPLOY / "Containerfile").read_text("utf-8")
    assert 'ENTRYPOINT ["cotterline"]' in container
    yield from re.findall(r'^CMD \["(\w+)"\]', container, flags=re.MULTILINE)
    services = yaml.safe_load((DEPLOY / "compose.yaml").read_text("utf-8"))["services"]
    yield from (each["command"][0] for each in services.values() if "command" in each)
    for manifest in yaml.safe_load_all((DEPLOY / "kubernetes/cotterline.yaml").read_text("utf-8")):
        for each in manifest.get("spec", {}).get("template", {}).get("spec", {}).get("containers", ()):
            yield each["args"][0]


def test_every_variable_is_a_setting() -> None:
    known = {f"{PREFIX}{field.name.upper()}" for field in msgspec.structs.fields(Settings)} - {KEY_VARIABLE}
    named = {
        name
        for file in DEPLOY.rglob("*")
        if file.is_file()
        for name in re.findall(rf"\b{PREFIX}[A-Z_]+\b", file.read_text("utf-8"))
    }
    assert {"COTTERLINE_DATABASE_URL", "COTTERLINE_SECRET_KEYS", "COTTERLINE_WORKER"} <= named <= known


def test_no_secret_stands_in_the_tree() -> None:
    example = dict(
        line.split("=", 1)
        for line in (DEPLOY / "environment.example").read_text("utf-8").splitlines()
        if line and not line.startswith("#")
    )
    for name in ("POSTGRES_PASSWORD", "COTTERLINE_SECRET_KEYS", "COTTERLINE_METRICS_TOKEN"):
        assert not example[name]
    secret = yaml.safe_load((DEPLOY / "kubernetes/secret.example.yaml").read_text("utf-8"))["stringData"]
    assert {value for name, value in secret.items() if "BASE_URL" not in name} == {""}
    assert "deploy/environment" in (DEPLOY.parent / ".gitignore").read_text("utf-8").splitlines()


def test_the_dashboard_has_no_panel_upon_another() -> None:
    panels = json.loads((DEPLOY / "grafana/dashboard.json").read_text("utf-8"))["panels"]
    places = [(each["gridPos"]["x"], each["gridPos"]["y"]) for each in panels]
    assert len({*places}) == len({each["id"] for each in panels}) == len(panels)
