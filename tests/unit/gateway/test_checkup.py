"""What `check` finds of each part, and that a fault always says what to do."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import pytest

from gateway import contract
from gateway.bus_watch import Broadcast
from gateway.certificate import NotACertificate, common_name
from gateway.checkup import check_clock, check_part, check_vehicle
from gateway.link import BusQuiet
from gateway.sampling import Moment
from gateway.wall_clock import ClockWatch

NOW = datetime(2026, 11, 2, 13, 0, tzinfo=UTC)


class Rig:
    """A bus by hand: two bitmaps and the readiness of one ECU (SAE J1979; B)."""

    def __init__(
        self,
        answers: Mapping[str, str],
        traffic: bool = True,
        quiet: tuple[contract.Quiet, float] | None = None,
        heard: contract.Heard = "answers",
        broken: bool = False,
    ) -> None:
        self.answers, self.traffic, self.quiet = answers, traffic, quiet
        self.heard, self.broken = heard, broken

    def ask(self, request: bytes) -> Mapping[str, bytes]:
        if self.broken:
            raise OSError("network is down")
        if self.quiet is not None:
            raise BusQuiet(*self.quiet)
        text = self.answers.get(request.hex().upper())
        return {} if text is None else {"7E8": bytes.fromhex(text)}

    def listen(self, _wait_s: float) -> bool:
        return self.traffic

    def take_broadcasts(self) -> list[Broadcast]:
        return []


GOOD = {
    "0100": "410080000000",
    "0101": "410100076100",
    "0902": "490201314D3847444D3941584B50303432373838",
}
RIGS: dict[str, tuple[Rig, list[tuple[str, bool]]]] = {
    "all well": (
        Rig(GOOD),
        [("bus", True), ("ECUs", True), ("supported", True), ("VIN", True)],
    ),
    "no VIN": (
        Rig({k: v for k, v in GOOD.items() if k != "0902"}),
        [("bus", True), ("ECUs", True), ("supported", True), ("VIN", False)],
    ),
    "a broken answer": (
        Rig(GOOD | {"03": "4302"}),
        [("bus", True), ("ECUs", True), ("supported", True), ("VIN", True), ("answers", False)],
    ),
    "no traffic": (Rig(GOOD, traffic=False), [("bus", False)]),
    "another tester": (Rig(GOOD, quiet=("another_tester", 600.0)), [("bus", False)]),
    "nobody": (Rig({}, heard="nothing"), [("bus", True), ("ECUs", False)]),
    "J1939 alone": (Rig({}, heard="j1939"), [("bus", True), ("ECUs", False)]),
    "the newer protocol": (Rig({}, heard="newer_protocol"), [("bus", True), ("ECUs", False)]),
    "interface down": (Rig(GOOD, broken=True), [("bus", False)]),
}


@pytest.mark.parametrize("rig, expected", RIGS.values(), ids=RIGS.keys())
def test_every_fault_of_a_vehicle_says_what_to_do(
    rig: Rig, expected: list[tuple[str, bool]]
) -> None:
    found = check_vehicle(rig)
    assert [(one.part, one.good) for one in found] == expected
    for one in found:
        assert one.good or ("do: " in str(one) and str(one).startswith("FAULT"))


CLOCKS = {
    "synchronised": (Moment(NOW, "synced", 1), True),
    "held": (Moment(NOW, "held", 1), False),
    "unset": (Moment(None, "unset", 1), False),
}


@pytest.mark.parametrize("moment, good", CLOCKS.values(), ids=CLOCKS.keys())
def test_a_clock_is_good_when_it_is_synchronised(moment: Moment, good: bool) -> None:
    found = check_clock(moment)
    assert (found.good, bool(found.todo)) == (good, not good)


def test_a_step_that_raises_is_a_fault_with_its_own_words() -> None:
    def broken() -> str:
        raise OSError("disk is read-only")

    found = check_part("outbox", "remount it", broken)
    assert str(found).splitlines() == [
        "FAULT  outbox: disk is read-only",
        "       do: remount it",
    ]


def looks(*told: tuple[float, float, contract.Clock, int | None]) -> list[contract.Clock]:
    """Judge moments of (uptime s, wall clock s after NOW, clock, last receipt's offset)."""
    watch = ClockWatch()
    return [
        watch.judge(
            Moment(NOW + timedelta(seconds=wall_s), clock, round(uptime_s * 1000)), offset_ms
        ).clock
        for uptime_s, wall_s, clock, offset_ms in told
    ]


YEARS = 3653 * 86_400.0
JUMPS: dict[
    str, tuple[list[tuple[float, float, contract.Clock, int | None]], list[contract.Clock]]
] = {
    "steady": ([(0, 0, "synced", None), (900, 900, "synced", None)], ["synced", "synced"]),
    "drift at the limit": (
        [(0, 0, "synced", None), (900, 960, "synced", None)],
        ["synced", "synced"],
    ),
    "just above": ([(0, 0, "synced", None), (900, 960.1, "synced", None)], ["synced", "held"]),
    "ten years ahead and no way back": (
        [(0, 0, "synced", 5), (1, YEARS, "synced", 5), (2, YEARS + 1, "synced", 5)],
        ["synced", "held", "held"],
    ),
    "a new receipt confirms it": (
        [(0, 0, "synced", 5), (1, YEARS, "synced", 5), (2, YEARS + 1, "synced", 60_000)],
        ["synced", "held", "synced"],
    ),
    "a new receipt denies it": (
        [(0, 0, "synced", 5), (1, YEARS, "synced", 5), (2, YEARS + 1, "synced", 60_001)],
        ["synced", "held", "held"],
    ),
    "ten years back": (
        [(0, 0, "synced", None), (1, -YEARS, "synced", None)],
        ["synced", "held"],
    ),
    "set by the network after a start": (
        [(0, 0, "held", None), (1, YEARS, "synced", None)],
        ["held", "synced"],
    ),
}


@pytest.mark.parametrize("told, expected", JUMPS.values(), ids=JUMPS.keys())
def test_a_clock_that_jumps_is_held_until_a_receipt_confirms_it(
    told: list[tuple[float, float, contract.Clock, int | None]], expected: list[contract.Clock]
) -> None:
    assert looks(*told) == expected


BROKEN = {
    "no certificate": "a letter",
    "no base64": "-----BEGIN CERTIFICATE-----\n!!!\n-----END CERTIFICATE-----",
    "not DER": "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----",
    "cut short": "-----BEGIN CERTIFICATE-----\nMIIB\n-----END CERTIFICATE-----",
    "no end": "-----BEGIN CERTIFICATE-----\nMIIB\n",
}


@pytest.mark.parametrize("pem", BROKEN.values(), ids=BROKEN.keys())
def test_what_is_no_certificate_is_one_clear_error(pem: str) -> None:
    with pytest.raises(NotACertificate):
        common_name(pem)
