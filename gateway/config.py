"""A gateway's configuration file (TOML): read whole, every fault named at once."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

GATEWAY_ID = r"^[a-z0-9][a-z0-9-]{0,31}$"
"""As `gateway.contract.GatewayId`: also the MQTT client id and the certificate's common name."""
DEFAULT_PORTS = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong in a file: where, what stands there, what is expected."""

    field: str
    value: str
    expected: str

    def __str__(self) -> str:
        return f"{self.field}: {self.value}, expected {self.expected}"


class ConfigError(ValueError):
    """The operator must act: `faults` holds everything that is wrong in the file."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("; ".join(map(str, faults)))
        self.faults = faults


def _broker_url(text: str) -> str:
    parts = urlsplit(text)
    try:
        port = parts.port
    except ValueError:
        port = 0
    plain = not (parts.path or parts.query or parts.fragment or parts.username)
    if parts.scheme not in DEFAULT_PORTS or not parts.hostname or port == 0 or not plain:
        raise ValueError("mqtt://HOST:PORT or mqtts://HOST:PORT")
    return text


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Identity(_Section):
    """Which gateway this is, and where its outbox lies."""

    id: Annotated[str, Field(pattern=GATEWAY_ID)]
    outbox: Path
    outbox_limit_mib: Annotated[int, Field(ge=1, le=65536)] = 64


class Bus(_Section):
    """The CAN interface, set up at the vehicle's own bit rate by the system.

    `interface` is the name python-can gives it; others than socketcan are for bench rigs.
    """

    interface: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")] = "socketcan"
    channel: Annotated[str, Field(min_length=1, max_length=64)] = "can0"
    bits29: bool = False

    @model_validator(mode="after")
    def _name_fits(self) -> Bus:
        if self.interface == "socketcan" and len(self.channel) > 15:
            raise ValueError("a channel of at most 15 characters with socketcan")
        return self


class BrokerSettings(_Section):
    """Where the broker is, and the certificate by which this gateway proves who it is."""

    url: Annotated[str, AfterValidator(_broker_url)]
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @property
    def tls(self) -> bool:
        """Whether the connection is encrypted."""
        return urlsplit(self.url).scheme == "mqtts"

    @property
    def address(self) -> tuple[str, int]:
        """Host and port."""
        parts = urlsplit(self.url)
        return str(parts.hostname), parts.port or DEFAULT_PORTS[parts.scheme]


class ReadingSettings(_Section):
    """How often the vehicle is read while its ignition is on, and looked for while it is off."""

    periodic_s: Annotated[float, Field(ge=60, le=86400)] = 900
    change_check_s: Annotated[float, Field(ge=10, le=3600)] = 60
    sample_s: Annotated[float, Field(ge=0.5, le=5)] = 1
    parked_check_s: Annotated[float, Field(ge=1, le=600)] = 10
    compression: bool = False
    stop_below_v: Annotated[float, Field(ge=9, le=30)] = 11.5


class Silence(_Section):
    """Time set ahead in which nothing is sent on the bus: work in the shop, or an inspection.

    It always ends: at `until`, at most 7 days after `start`.
    """

    reason: Literal["shop", "inspection"]
    start: AwareDatetime
    until: AwareDatetime

    @model_validator(mode="after")
    def _ends(self) -> Silence:
        if not timedelta(0) < self.until - self.start <= timedelta(days=7):
            raise ValueError("until after start, at most 7 days later")
        return self

    def seconds_from(self, now: datetime) -> tuple[float, float] | None:
        """How long until it starts and how long it lasts from then; None once it is over."""
        if self.until <= now:
            return None
        starts_in_s = max(0.0, (self.start - now).total_seconds())
        return starts_in_s, (self.until - now).total_seconds() - starts_in_s


class Config(_Section):
    """Everything `python -m gateway run` needs to know."""

    gateway: Identity
    can: Bus = Bus()
    broker: BrokerSettings
    reading: ReadingSettings = ReadingSettings()
    quiet: tuple[Silence, ...] = ()


def parse_config(text: str) -> Config:
    """Read the text of a configuration file, or raise `ConfigError` with every fault."""
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([Fault("file", str(error), "TOML")]) from error
    together = _broker_faults(raw.get("broker"))
    try:
        config = Config.model_validate(raw)
    except ValidationError as error:
        raise ConfigError([*map(_fault, error.errors()), *together]) from error
    if together:
        raise ConfigError(together)
    return config


def _broker_faults(raw: object) -> list[Fault]:
    """What the broker's settings need of each other, whatever else is wrong in the file."""
    if not isinstance(raw, dict):
        return []
    files = [name for name in ("ca_file", "cert_file", "key_file") if name in raw]
    pair = {"cert_file", "key_file"}
    missing = pair.difference(files)
    faults = []
    if len(missing) == 1:
        there = f"a file, as {min(pair - missing)} is given"
        faults.append(Fault(f"broker.{min(missing)}", "missing", there))
    try:
        scheme, host = urlsplit(raw["url"])[0], _broker_host(raw["url"])
    except (KeyError, TypeError, ValueError, AttributeError):
        return faults  # named by itself
    if scheme == "mqtt":
        faults += [
            Fault(f"broker.{name}", repr(raw[name]), "none, or an mqtts:// url") for name in files
        ]
        if not _is_loopback(host):
            here = "mqtts:// unless the broker is on this machine (127.0.0.1, ::1)"
            faults.append(Fault("broker.url", repr(raw["url"]), here))
    elif missing == pair and not _is_loopback(host):
        name = "a certificate with gateway.id as its common name, and its key_file"
        faults.append(Fault("broker.cert_file", "missing", name))
    return faults


def _broker_host(url: str) -> str:
    return str(urlsplit(_broker_url(url)).hostname)


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:  # a name: where it leads is not for us to guess
        return False


def load_config(path: Path) -> Config:
    """Read a configuration file, or raise `ConfigError` (also when it cannot be read)."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([Fault("file", str(error), "a readable UTF-8 file")]) from error
    return parse_config(text)


def _fault(item: Any) -> Fault:
    field = ".".join(str(part) for part in item["loc"]) or "file"
    kind = item["type"]
    if kind == "missing":
        return Fault(field, "missing", "a value")
    if kind == "extra_forbidden":
        return Fault(field, repr(item["input"]), "no such setting")
    expected = str(item["msg"]).removeprefix("Value error, ").removeprefix("Input should be ")
    value = "these settings" if isinstance(item["input"], dict) else repr(item["input"])
    if kind == "string_pattern_mismatch":
        expected = f"text like {item['ctx']['pattern']}"
    return Fault(field, value, expected)
