"""The server setup, read as data: these facts hold without any container engine."""

import re
from pathlib import Path

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent.parent
OWN = ("migrate", "web", "worker", "scheduler")
SECRET_WORDS = ("PASSWORD", "SECRET", "_URL", "AUTH")
# `${NAME}`, `${NAME:-default}`, `${NAME:?message}`
REFERENCE = re.compile(r"\$\{(\w+)(?:(:[-?])([^}]*))?\}")


@pytest.fixture(scope="module")
def compose() -> dict:
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())


@pytest.fixture(scope="module")
def services(compose) -> dict:
    return compose["services"]


def test_every_part_has_a_service(services):
    assert set(services) == {"database", "queue", *OWN}


def test_the_database_is_the_version_the_trial_uses(services):
    from lims.local.binaries import MAJOR_VERSION

    assert services["database"]["image"] == f"postgres:{MAJOR_VERSION}"


def test_no_secret_has_a_default(compose):
    text = yaml.safe_dump(compose)
    weak = [
        name
        for name, kind, _ in REFERENCE.findall(text)
        if any(word in name for word in (*SECRET_WORDS, "ALLOWED_HOSTS")) and kind != ":?"
    ]
    assert not weak


def test_every_secret_value_is_a_reference(services):
    for name, service in services.items():
        for key, value in service.get("environment", {}).items():
            if any(word in key for word in SECRET_WORDS):
                assert ":?" in str(value), f"{name}.{key}"


def test_the_queue_asks_for_a_password(services):
    command = services["queue"]["command"]
    assert command[command.index("--requirepass") + 1].startswith("${QUEUE_PASSWORD:?")


def test_only_the_migration_gets_the_owner_of_the_tables(services):
    holders = {name for name, service in services.items() if "DATABASE_OWNER_URL" in service.get("environment", {})}
    assert holders == {"migrate"}
    assert all("lims_application" in services[name]["environment"]["DATABASE_URL"] for name in OWN)


def test_the_migration_runs_once_and_before_the_rest(services):
    assert services["migrate"]["restart"] == "no"
    for name in ("web", "worker", "scheduler"):
        assert services[name]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"


@pytest.mark.parametrize("name", ["database", "queue", "web", "worker", "scheduler"])
def test_every_lasting_service_is_watched(services, name):
    assert services[name]["healthcheck"]["test"]
    assert services[name]["restart"] == "unless-stopped"


def test_data_stay_in_named_volumes(compose, services):
    assert set(compose["volumes"]) == {"database", "files"}
    assert services["database"]["volumes"] == ["database:/var/lib/postgresql"]
    assert all("files:/data/files" in services[name]["volumes"] for name in OWN)


def test_nothing_but_the_pages_is_reachable_and_those_from_this_machine_only(services):
    published = {name: service["ports"] for name, service in services.items() if "ports" in service}
    assert set(published) == {"web"}
    assert all(port.startswith("127.0.0.1:") for port in published["web"])


@pytest.mark.parametrize("name", OWN)
def test_our_services_have_no_more_rights_than_they_need(services, name):
    assert services[name]["cap_drop"] == ["ALL"]
    assert services[name]["read_only"] is True
    assert "no-new-privileges:true" in services[name]["security_opt"]


def test_the_image_does_not_run_as_root():
    lines = (ROOT / "Dockerfile").read_text().splitlines()
    users = [line.split()[1] for line in lines if line.startswith("USER ")]
    assert users
    assert users[-1] not in {"0", "root"}
    last_stage = max(number for number, line in enumerate(lines) if line.startswith("FROM "))
    assert any(line.startswith("USER ") for line in lines[last_stage:])


def test_every_variable_of_the_setup_is_read_by_the_settings(services):
    source = "".join(path.read_text() for path in (ROOT / "lims").glob("*.py"))
    source += (ROOT / "lims" / "local" / "roles.py").read_text()
    for key in services["web"]["environment"] | services["migrate"]["environment"]:
        assert f'"{key}"' in source, key


def test_the_commands_of_the_setup_exist(services):
    assert (ROOT / "lims/core/management/commands/schedule.py").exists()
    assert services["scheduler"]["command"][:3] == ["python", "manage.py", "schedule"]
    assert "python -m lims.local.roles" in services["migrate"]["command"][-1]
