"""One agent with a scripted vehicle, a clock moved by hand and a real outbox."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from gateway import contract
from gateway.agent import Agent
from gateway.bus_watch import Broadcast
from gateway.driving import Rhythm
from gateway.fitting import Fitting
from gateway.link import BusQuiet
from gateway.outbox import Outbox
from gateway.sampling import Moment

START = datetime(2026, 11, 2, 13, 0, tzinfo=UTC)


class HandClock:
    """A clock that the test moves on."""

    def __init__(self, known: bool = True) -> None:
        self.at_s, self.known = 1000.0, known
        self.ahead = timedelta(0)

    def now(self) -> datetime:
        return START + timedelta(seconds=self.at_s - 1000.0) + self.ahead

    def moment(self) -> Moment:
        uptime_ms = int(self.at_s * 1000)
        return (
            Moment(self.now(), "synced", uptime_ms)
            if self.known
            else Moment(None, "unset", uptime_ms)
        )

    def seconds(self) -> float:
        return self.at_s


class Vehicle:
    """One ECU in bytes, and its bus: silent while the ignition is off."""

    def __init__(self) -> None:
        self.on = False
        self.awake = False
        self.broken = False
        self.quiet: tuple[contract.Quiet, float] | None = None
        self.heard: contract.Heard = "nothing"
        self.broadcasts: list[Broadcast] = []
        self.asked: list[bytes] = []
        self.answers: dict[bytes, bytes] = {
            bytes.fromhex(request): bytes.fromhex(answer)
            for request, answer in {
                "0100": "410088180001",  # PIDs 01, 05, 0C, 0D, 20
                "0120": "412000000001",
                "0140": "414040000000",  # PID 42
                "0101": "410100076100",
                "0105": "41057B",
                "010C": "410C0DAC",
                "010D": "410D32",
                "0142": "414236B0",
                "010C0D0542": "410C0DAC0D32057B4236B0",
                "0900": "490001000000",  # type 08 alone
                "0908": "490802 0064 00C8",
                "03": "4300",
                "07": "4700",
                "0A": "4A00",
            }.items()
        }

    def ask(self, request: bytes) -> Mapping[str, bytes]:
        if self.quiet is not None:
            raise BusQuiet(*self.quiet)
        self.asked.append(request)
        if self.broken:
            raise OSError("bus off")
        if not self.on or request not in self.answers:
            return {}
        self.heard = "answers"
        return {"7E8": self.answers[request]}

    def listen(self, _wait_s: float) -> bool:
        return self.on or self.awake

    def take_broadcasts(self) -> list[Broadcast]:
        taken, self.broadcasts = self.broadcasts, []
        return taken

    def light_the_lamp(self) -> None:
        self.answers[b"\x01\x01"] = bytes.fromhex("410181076100")
        self.answers[b"\x03"] = bytes.fromhex("43010420")


class Bench:
    """Agent, vehicle, clock and outbox of one test."""

    def __init__(self, path: Path, known: bool = True) -> None:
        self.clock, self.vehicle = HandClock(known), Vehicle()
        self.outbox = Outbox(path, self.clock.now)
        self.agent = Agent(
            "gw-0001", self.vehicle, self.outbox, None, self.clock, Rhythm(periodic_s=900),
            fitting=Fitting(path.with_name(path.name + ".identified")),
        )  # fmt: skip

    def drive(self, seconds: float) -> None:
        """Step once a second."""
        for _ in range(round(seconds)):
            self.agent.step()
            self.clock.at_s += 1

    def requests(self, seconds: float) -> list[bytes]:
        """What is asked of the vehicle in the next seconds."""
        before = len(self.vehicle.asked)
        self.drive(seconds)
        return self.vehicle.asked[before:]

    def reports(self) -> list[contract.Report]:
        return [contract.decode_report(item.body) for item in self.outbox.due(0.0, 1000)]

    def ask(self, want: str = "fresh", life_s: float = 300) -> None:
        self.agent.on_ask(
            contract.Ask(
                schema="ask/1",
                gateway="gw-0001",
                ask_id="a1",
                want="full" if want == "full" else "fresh",
                expires_at=contract.format_time(self.clock.now() + timedelta(seconds=life_s)),
            )
        )
