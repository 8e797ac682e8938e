"""`python -m gateway run`, `check` and `read` against an independent ECU and a real broker.

Answers in bytes after SAE J1979: PID 01 byte A bit 7 is the lamp, the rest counts codes (B);
`43 01 04 20` is one confirmed code, P0420 (B); the VIN is a published example (C).
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import can
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from gateway import contract
from gateway.__main__ import main
from tests.support.can_bench import ScriptedEcu, new_channel, says
from tests.support.can_hub import Hub, HubBus
from tests.support.certificates import Authority
from tests.support.gateway_process import Chatter, hub_chatter, running_gateway, write_config
from tests.support.services import RunningBroker

ECU = says(
    x0100="410088180013", x0120="412000018000", x0101="410181076504", x0105="41057B",
    x010C="410C1F40", x010D="410D5A", x011C="411C01", x011F="411F0064", x0130="413017",
    x0131="413101F4", x03="43010420", x07="4700", x0A="4A00",
    x0900="490040000000", x0902="490201314D3847444D3941584B50303432373838",
    x010C0D05="410C1F400D5A057B",
)  # fmt: skip
PATIENCE_S = 30.0


@pytest.fixture
def stack() -> Iterator[ExitStack]:
    with ExitStack() as one:
        yield one


def bench_rig(stack: ExitStack, ecu: bool = True, talk: bool = True) -> str:
    """A virtual bus of this process; return its channel."""
    channel = new_channel()
    if ecu:
        bus = can.Bus(interface="virtual", channel=channel)
        stack.callback(ScriptedEcu(bus, 0x7E8, ECU).close)
    if talk:
        stack.enter_context(Chatter(can.Bus(interface="virtual", channel=channel)))
    return channel


def test_read_prints_one_reading_and_publishes_nothing(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = write_config(tmp_path, "virtual", bench_rig(stack), "mqtt://127.0.0.1:1")
    assert main(["read", "--config", str(config), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["schema"], told["heard"]) == ("reading/1", "answers")
    (item,) = told["items"]
    assert item["vin"] == "1M8GDM9AXKP042788"
    ecu = item["ecus"]["7E8"]
    assert (ecu["mil"], ecu["confirmed"], ecu["pending"]) == (True, ["P0420"], [])
    assert ecu["monitors"]["evaporative_system"] is False
    assert item["values"]["engine_speed_rpm"] == 2000
    assert not (tmp_path / "box.sqlite3").exists()


def test_read_says_it_in_words_too(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = write_config(tmp_path, "virtual", bench_rig(stack), "mqtt://127.0.0.1:1")
    assert main(["read", "--config", str(config)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "7E8  MIL (check engine): on" in lines
    assert "7E8  confirmed codes: P0420" in lines
    assert "7E8  monitors not complete: evaporative system" in lines


def test_read_of_a_vehicle_where_nobody_answers_is_never_no_codes(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    channel = bench_rig(stack, ecu=False)
    config = write_config(tmp_path, "virtual", channel, "mqtt://127.0.0.1:1")
    assert main(["read", "--config", str(config)]) == 1
    assert "not 'no codes'" in capsys.readouterr().out


def test_on_a_silent_bus_no_frame_is_sent(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    channel = bench_rig(stack, talk=False)
    listener = stack.enter_context(can.Bus(interface="virtual", channel=channel))
    config = write_config(tmp_path, "virtual", channel, "mqtt://127.0.0.1:1")
    assert main(["read", "--config", str(config), "--json"]) == 4
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == [
        "FAULT  bus: nothing sent: no traffic",
        "       do: switch the ignition on; check plug, wiring and the interface's bit rate",
    ]
    assert listener.recv(timeout=0) is None


def test_a_silence_set_ahead_holds_for_the_commands_too(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    channel = bench_rig(stack)
    more = (
        '[[quiet]]\nreason = "inspection"\n'
        "start = 2026-01-01T00:00:00Z\nuntil = 2026-01-01T01:00:00Z\n"
    )
    config = write_config(tmp_path, "virtual", channel, "mqtt://127.0.0.1:1", more)
    assert main(["read", "--config", str(config), "--json"]) == 0  # it is over
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    later = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(time.time() + 3600))
    more = f'[[quiet]]\nreason = "inspection"\nstart = {now}\nuntil = {later}\n'
    config = write_config(tmp_path, "virtual", channel, "mqtt://127.0.0.1:1", more)
    capsys.readouterr()
    assert main(["read", "--config", str(config), "--json"]) == 4
    assert "inspection" in capsys.readouterr().err


def test_check_finds_everything_in_order(
    stack: ExitStack,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    embedded_broker: RunningBroker,
) -> None:
    config = write_config(tmp_path, "virtual", bench_rig(stack), embedded_broker.url)
    code = main(["check", "--config", str(config)])
    lines = capsys.readouterr().out.splitlines()
    parts = {line.split(":")[0].split()[1]: line.split()[0] for line in lines if "do:" not in line}
    # Whether this machine's clock is synchronised is the machine's affair.
    clock = parts.pop("clock")
    assert set(parts.values()) == {"good"}
    assert {"outbox", "bus", "ECUs", "supported", "VIN", "broker"} == set(parts)
    assert code == (0 if clock == "good" else 1)


def test_check_says_what_to_do_where_something_fails(
    stack: ExitStack, tmp_path: Path, capsys: pytest.CaptureFixture[str], free_port: int
) -> None:
    channel = bench_rig(stack, ecu=False)
    config = write_config(tmp_path, "virtual", channel, f"mqtt://127.0.0.1:{free_port}")
    (tmp_path / "box.sqlite3").write_text("no outbox " * 1000)
    assert main(["check", "--config", str(config)]) == 1
    out = capsys.readouterr().out
    lines = out.splitlines()
    for part in ("outbox", "ECUs", "broker"):
        at = next(n for n, line in enumerate(lines) if line.startswith(f"FAULT  {part}:"))
        assert lines[at + 1].strip().startswith("do: ")


NAMES = {"its own": ("gw-0001", True), "another's": ("gw-0002", False)}


@pytest.mark.parametrize("name, good", NAMES.values(), ids=NAMES.keys())
def test_the_certificate_must_bear_the_gateways_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, good: bool
) -> None:
    own = Authority.made(tmp_path / "authority").gateway(name)
    more = f'ca_file = "{own.ca_file}"\ncert_file = "{own.cert_file}"\nkey_file = "{own.key_file}"'
    config = write_config(tmp_path, "nowhere", "x", "mqtts://127.0.0.1:1", more)
    # With the right name the next thing that is missing is the bus.
    assert main(["run", "--config", str(config)]) == (4 if good else 3)
    said = capsys.readouterr().err
    assert ("common name 'gw-0002', expected 'gw-0001'" in said) is not good


def test_every_certificate_file_that_cannot_be_read_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own = Authority.made(tmp_path / "authority").gateway("gw-0001")
    more = f'ca_file = "{own.ca_file}"\ncert_file = "/nowhere/c.pem"\nkey_file = "/nowhere/k.pem"'
    config = write_config(tmp_path, "nowhere", "x", "mqtts://127.0.0.1:1", more)
    assert main(["run", "--config", str(config)]) == 3
    assert capsys.readouterr().err.splitlines() == [
        f"broker.{name}: /nowhere/{file}: No such file or directory, expected a readable file"
        for name, file in (("cert_file", "c.pem"), ("key_file", "k.pem"))
    ]


def test_run_reads_a_vehicle_and_publishes_until_it_is_stopped(
    stack: ExitStack, tmp_path: Path, embedded_broker: RunningBroker
) -> None:
    hub = stack.enter_context(Hub())
    stack.callback(ScriptedEcu(HubBus(hub.address), 0x7E8, ECU).close)
    stack.enter_context(hub_chatter(hub))
    came, heard = threading.Event(), list[bytes]()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")

    def take(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        heard.append(bytes(message.payload))
        came.set()

    client.on_connect = lambda one, *_: one.subscribe("fleet/v1/+/+/report", 1)
    client.on_message = take
    client.connect(embedded_broker.host, embedded_broker.port)
    client.loop_start()
    config = write_config(tmp_path, "virtual", hub.address, embedded_broker.url)
    log = tmp_path / "gateway.log"
    with running_gateway(["run", "--config", str(config)], log) as child:
        assert came.wait(PATIENCE_S), log.read_text()
    client.disconnect()
    client.loop_stop()
    assert child.returncode == 0, log.read_text()
    report = contract.decode_report(heard[0])
    assert (report.reason, report.vin) == ("key_on", "1M8GDM9AXKP042788")
    assert report.ecus["7E8"].confirmed == ["P0420"]
