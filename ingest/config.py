"""What the operator sets: `site.toml` in the data directory, and the broker's address."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, ValidationError

DATABASE_FILE = "fleet.sqlite3"
SITE_FILE = "site.toml"
LogFormat = Literal["auto", "json", "key_value"]


class ConfigError(ValueError):
    """A setting the operator must mend; `faults` names each field, value and expectation."""

    def __init__(self, *faults: str) -> None:
        super().__init__("\n".join(faults))
        self.faults = faults


class _Settings(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Mail(_Settings):
    """The SMTP server that notices go through. `tls`: STARTTLS is asked for before the login."""

    host: str = Field(min_length=1)
    port: int = Field(default=587, ge=1, le=65535)
    sender: str = Field(pattern=r"^[^@\s]+@[^@\s]+$")
    to: list[str] = Field(min_length=1)
    tls: bool = True
    user: str | None = None
    password_file: Path | None = None


class BrokerTls(_Settings):
    """How ingest proves who it is to a broker that asks for certificates (`mqtts://`).

    `ca_file` is the authority that signed the broker's own certificate. `{lane}` in the other two
    stands for the lane (`0-of-4`): a broker that goes by the certificate's name needs one a lane.
    """

    ca_file: Path
    cert_file: Path | None = None
    key_file: Path | None = None


class Site(_Settings):
    """All settings of one site, with defaults that work on one machine."""

    mail: Mail | None = None
    broker_tls: BrokerTls | None = None
    sweep_every_s: int = Field(default=300, ge=10, le=86_400)
    notices_every_s: int = Field(default=10, ge=1, le=3600)
    programs_dir: Path | None = None
    dictionary: Path | None = None
    """The fleet's own code meanings (CSV; `ingest.domain.dictionary.COLUMNS`)."""
    log_format: LogFormat = "auto"
    """`auto`: JSON lines unless a person reads at a terminal."""
    health_port: int = Field(default=9472, ge=0, le=65535)
    """Where 127.0.0.1 answers /health and /metrics; 0 takes any free port. Lane K adds K."""

    def tls_of(self, lane: object) -> BrokerTls | None:
        """The certificates of one lane."""
        tls = self.broker_tls
        if tls is None:
            return None
        own = {"cert_file": tls.cert_file, "key_file": tls.key_file}
        filled = {
            name: Path(str(path).replace("{lane}", str(lane))) for name, path in own.items() if path
        }
        return tls.model_copy(update=filled)


class BrokerAddress(_Settings):
    """Where the broker listens."""

    scheme: Literal["mqtt", "mqtts"]
    host: str
    port: int
    user: str | None = None
    password: str | None = None


def parse_site(text: str) -> Site:
    """Read `site.toml`, or raise `ConfigError` naming every fault."""
    try:
        return Site.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{SITE_FILE}: {error}, expected TOML") from error
    except ValidationError as error:
        raise ConfigError(
            *(
                f"{SITE_FILE}: {'.'.join(map(str, fault['loc']))}: {fault['input']!r}, "
                f"expected: {fault['msg']}"
                for fault in error.errors()
            )
        ) from error


def load_site(data: Path) -> Site:
    """Read the site file of a data directory; without one the defaults hold."""
    path = data / SITE_FILE
    return parse_site(path.read_text(encoding="utf-8")) if path.exists() else Site()


def make_data_dir(data: Path) -> None:
    """Make the data directory where there is none, or raise `ConfigError`."""
    try:
        data.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(f"--data: {data}: {error.strerror}, expected a directory") from error


def database_url(data: Path, override: str | None, *, new: bool = False) -> str:
    """The database to use: the override, else the SQLite file of the data directory.

    Where a `new` one may be made, the directory is there afterwards. Raises `ConfigError`.
    """
    if new and override is None:
        make_data_dir(data)
    return override or f"sqlite:///{(data / DATABASE_FILE).absolute()}"


def parse_broker(text: str) -> BrokerAddress:
    """Read `mqtt[s]://[USER:PASSWORD@]HOST:PORT`, or raise `ConfigError`."""
    parts = urlsplit(text)
    try:
        port = parts.port or (8883 if parts.scheme == "mqtts" else 1883)
    except ValueError:
        port = 0
    scheme = parts.scheme
    if scheme not in ("mqtt", "mqtts") or not parts.hostname or not port:
        raise ConfigError(f"--broker: {text!r}, expected mqtt[s]://HOST:PORT")
    return BrokerAddress(
        scheme="mqtts" if scheme == "mqtts" else "mqtt",
        host=parts.hostname,
        port=port,
        user=parts.username,
        password=parts.password,
    )
