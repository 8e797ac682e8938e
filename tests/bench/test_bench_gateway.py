"""Memory and CPU of `python -m gateway run` that samples one vehicle once a second.

The ECU, the traffic and the broker run in other processes or in this one, so that only the
gateway is counted: resident memory (VmRSS) and CPU time (utime + stime) as Linux tells them in
/proc. Aims: below 60 MB and 3 % of one core. Figures are those of one machine. Run:
`python -m pytest -m long tests/bench/test_bench_gateway.py -s`.
"""

from __future__ import annotations

import json
import os
import time
from contextlib import ExitStack
from pathlib import Path

import can
import pytest

from tests.support.can_bench import ScriptedEcu, says
from tests.support.can_hub import Hub, HubBus
from tests.support.gateway_process import hub_chatter, running_gateway, write_config
from tests.support.services import running_mosquitto

AIM_MB, AIM_CPU_PCT = 60.0, 3.0
MEASURE_S, FRAMES_PER_S = 180.0, 100.0
START_S = 10.0
RESULTS = Path(__file__).resolve().parent / "results" / "gateway.json"
ECU = says(
    x0100="410088180013", x0120="412000018000", x0101="410182076504", x0105="41057B",
    x010C="410C1F40", x010D="410D5A", x011C="411C01", x011F="411F0064", x0130="413017",
    x0131="413101F4", x03="430601000200030043008200C100", x07="4700", x0A="4A00",
    x0900="490040000000", x0902="490201314D3847444D3941584B50303432373838",
    x010C0D05="410C1F400D5A057B",
)  # fmt: skip


def resident_mb(pid: int) -> float:
    """Resident memory of a process in MB (10^6 bytes)."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    (line,) = [one for one in lines if one.startswith("VmRSS:")]
    return int(line.split()[1]) * 1024 / 1e6


def cpu_s(pid: int) -> float:
    """CPU seconds of a process so far."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.long
@pytest.mark.services
def test_memory_and_cpu_of_a_gateway_that_samples_once_a_second(tmp_path: Path) -> None:
    with ExitStack() as stack:
        broker = stack.enter_context(running_mosquitto(tmp_path))
        hub = stack.enter_context(Hub())
        stack.callback(ScriptedEcu(HubBus(hub.address), 0x7E8, ECU).close)
        stack.enter_context(hub_chatter(hub, FRAMES_PER_S))
        asked: list[can.Message] = []
        ear = HubBus(hub.address)
        stack.callback(ear.shutdown)
        notifier = can.Notifier(ear, [asked.append], timeout=0.1)
        stack.callback(notifier.stop)
        config = write_config(tmp_path, "virtual", hub.address, broker.url)
        log = tmp_path / "gateway.log"
        child = stack.enter_context(running_gateway(["run", "--config", str(config)], log))
        time.sleep(START_S)
        began_s, used_s = time.monotonic(), cpu_s(child.pid)
        memory = [resident_mb(child.pid)]
        while time.monotonic() - began_s < MEASURE_S:
            time.sleep(5)
            memory.append(resident_mb(child.pid))
        length_s = time.monotonic() - began_s
        cpu_pct = (cpu_s(child.pid) - used_s) / length_s * 100
        assert child.poll() is None, log.read_text(encoding="utf-8")
    requests = sum(one.arbitration_id == 0x7DF for one in asked)
    assert requests >= MEASURE_S, "it did not sample"
    found = {
        "requests_sent": requests,
        "measured_s": round(length_s),
        "samples_per_s": 1,
        "other_frames_per_s": FRAMES_PER_S,
        "resident_mb_highest": round(max(memory), 1),
        "resident_mb_aim": AIM_MB,
        "cpu_pct_of_one_core": round(cpu_pct, 2),
        "cpu_pct_aim": AIM_CPU_PCT,
    }
    RESULTS.write_text(json.dumps(found, indent=1) + "\n", encoding="utf-8")
    print(found)
