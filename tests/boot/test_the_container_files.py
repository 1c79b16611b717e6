"""The container files agree with the rest; they are read here, not run."""

from typing import Any

import pytest
import yaml

from club.boot.paths import ROOT


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    loaded: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    return loaded


def test_every_part_is_there(compose: dict[str, Any]) -> None:
    assert {"db", "redis", "prepare", "web", "worker", "beat", "proxy"} == set(compose["services"])


def test_only_the_proxy_is_reachable_from_outside(compose: dict[str, Any]) -> None:
    assert [name for name, service in compose["services"].items() if "ports" in service] == ["proxy"]
    assert compose["networks"]["inside"]["internal"] is True


@pytest.mark.parametrize(
    ("service", "role"), [("prepare", "owner"), ("web", "web"), ("worker", "worker"), ("beat", "worker")]
)
def test_each_program_signs_in_as_its_role(compose: dict[str, Any], service: str, role: str) -> None:
    env = compose["services"][service]["environment"]
    assert env["DATABASE_URL"].startswith(f"postgresql://tallow_{role}:${{TALLOW_{role.upper()}_PASSWORD}}@")
    if service != "prepare":
        assert env["TALLOW_DB_ROLE"] == role


def test_the_private_cluster_and_the_container_share_one_text_of_the_roles(compose: dict[str, Any]) -> None:
    mounted = [volume.split(":")[0] for volume in compose["services"]["db"]["volumes"]]
    sources = [ROOT / path for path in mounted if path.startswith("./")]
    assert ROOT / "club/boot/roles.sql" in sources
    assert all(path.is_file() for path in sources)


def test_the_image_has_the_servers_own_version_of_the_backup_program(compose: dict[str, Any]) -> None:
    major = compose["services"]["db"]["image"].split(":")[1].split("-")[0]
    assert f"postgresql-client-{major}" in (ROOT / "Dockerfile").read_text()


def test_no_secret_has_a_default(compose: dict[str, Any]) -> None:
    assert "PASSWORD:-" not in (ROOT / "docker-compose.yml").read_text()
    for name, value in compose["services"]["db"]["environment"].items():
        assert value.startswith(f"${{{name}:?"), name
