"""A whole gateway on a virtual bus: agent, link and outbox, an ECU apart, and time that can jump.

The clock runs as the machine's does and is moved on by hand between looks, so that hours pass in
seconds. An independent listener notes every frame; those of the gateway are told by their ids,
since the other nodes of a bench use none of them.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from msgspec import UNSET

from gateway import contract
from gateway.agent import Agent
from gateway.driving import Rhythm
from gateway.fitting import Fitting
from gateway.outbox import Outbox
from gateway.protocol.guard import Guard
from gateway.sampling import Moment
from tests.support.can_bench import Bench, FrameEcu, Script, says

START = datetime(2026, 11, 2, 13, 0, tzinfo=UTC)
OURS = {"7DF", "7E0", "7E1", "18DB33F1", "18DA10F1"}
"""Ids the gateway sends on in these benches: functional requests, and flow control to its ECUs."""
TESTER = "7E3 02 10 03"
"""A request of somebody else, on an id of no ECU here (ISO 15765-4 as tabulated; B)."""
MOVING, STANDING, LOW = (
    "410C0DAC0D32057B4236B0",  # 875 rpm, 50 km/h, 83 degC, 14.000 V
    "410C00000D00057B4236B0",  # 0 rpm, 0 km/h
    "410C00000D00057B422C88",  # 11.400 V
)
SAMPLE = "010C0D0542"
"""PIDs 0C, 0D, 05 and 42 in one request, and answers to it in bytes (SAE J1979; B)."""


def engine() -> Script:
    """An engine ECU: PIDs 01, 05, 0C, 0D, 42, type 02, no codes (SAE J1979; B)."""
    return says(
        x0100="410088180001", x0120="412000000001", x0140="414040000000",
        x0101="410100076100", x0105="41057B", x010C="410C0DAC", x010D="410D32",
        x0142="414236B0", x010C0D0542=MOVING, x03="4300", x07="4700", x0A="4A00",
        x0900="490040000000", x0902="490201314D3847444D3941584B50303432373838",
    )  # fmt: skip


class JumpingClock:
    """Seconds that run as the machine's do, and jump when the test says so."""

    def __init__(self) -> None:
        self.begun = time.monotonic()
        self.ahead_s = 0.0
        self.wall = timedelta(0)

    def seconds(self) -> float:
        return time.monotonic() - self.begun + self.ahead_s

    def now(self) -> datetime:
        return START + timedelta(seconds=self.seconds()) + self.wall

    def moment(self) -> Moment:
        return Moment(self.now(), "synced", int(self.seconds() * 1000))


class VehicleBench:
    """One gateway, its vehicle and a listener. `script` is the ECU's; empty it for ignition off."""

    def __init__(
        self,
        stack: ExitStack,
        folder: Path,
        ecus: dict[int, Script] | None = None,
        bits29: bool = False,
    ) -> None:
        self._stack = stack
        self.clock, self.awake = JumpingClock(), False
        self.ecus = {0x7E8: engine()} if ecus is None else ecus
        self.script = next(iter(self.ecus.values()), {})
        self._fitting = folder / "box.identified"
        fitting = Fitting(self._fitting)
        self.at = Bench(
            stack, self.ecus, bits29, Guard(identified=fitting.identified), listen_first=0.1,
            monotonic=self.clock.seconds,
        )  # fmt: skip
        self.outbox = Outbox(folder / "box.sqlite3", self.clock.now)
        stack.callback(self.outbox.close)
        self.agent = Agent(
            "gw-0001", self.at.link, self.outbox, None, self.clock, Rhythm(), fitting=fitting
        )

    def break_answers(self, frames: dict[str, Sequence[str]]) -> None:
        """From now on these requests are answered with written frames, and by no ECU."""
        for request in frames:
            self.script.pop(request, None)
        self._stack.callback(FrameEcu(self.at.channel, frames).close)

    def pass_time(self, seconds: float, step_s: float = 1.0, *traffic: str) -> None:
        """Step the agent so long; while the bus is awake others speak before each step."""
        for _ in range(round(seconds / step_s)):
            if self.awake:
                self.at.say(*(traffic or ("3B0 01 02",)))
            self.agent.step()
            self.clock.ahead_s += step_s

    def ours(self) -> list[tuple[str, str]]:
        """The gateway's own frames that the listener heard since the last call."""
        return [one for one in self.at.heard() if one[0] in OURS]

    def reports(self) -> list[contract.Report]:
        """Everything in the outbox, oldest first."""
        return [contract.decode_report(item.body) for item in self.outbox.due(0.0, 100_000)]

    def cycles(self) -> list[contract.DrivingCycle]:
        """The driving cycles in the outbox, oldest first."""
        told = (one.driving_cycle for one in self.reports())
        return [one for one in told if one is not UNSET]

    def ask(self) -> None:
        """A wish for a fresh reading, as it comes from the broker."""
        until = contract.format_time(self.clock.now() + timedelta(seconds=300))
        self.agent.on_ask(
            contract.Ask(
                schema="ask/1", gateway="gw-0001", ask_id="a1", want="fresh", expires_at=until
            )
        )

    def turn_key_off(self) -> Script:
        """No ECU answers any more; return what they would have said."""
        said = dict(self.script)
        self.script.clear()
        return said

    def past(self, moment: str) -> float:
        """How many seconds after the start of the bench a time of the contract is."""
        return (contract.parse_time(moment) - START).total_seconds()


@contextmanager
def vehicle_bench(
    folder: Path, ecus: dict[int, Script] | None = None, bits29: bool = False
) -> Iterator[VehicleBench]:
    """Yield a bench whose every node, thread and file is closed with the block."""
    with ExitStack() as stack:
        yield VehicleBench(stack, folder, ecus, bits29)
