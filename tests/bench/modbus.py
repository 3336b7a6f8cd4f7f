#!/usr/bin/env python3
# SPDX-License-Identifier: GPL-3.0-or-later
"""A meter and a temperature logger on one Modbus line: power and temperatures agree with the truth; each silent in mid-load is named and
stopped in order; what rig.ini cannot mean is refused, all of it at once. And the instrument against a server of others, python3-pymodbus."""
import os
import pathlib
import re
import shutil
import socket
import struct
import subprocess
import sys
import tempfile

import harness
import text_drive
from prepared import Prepared

# As docs/modbus.md shows it.
BUS = "\n" + "".join(line[4:] + "\n" for line in (harness.ROOT / "docs" / "modbus.md").read_text(encoding="utf-8")
                     .split("## Setting it up")[1].split("On a real rig")[0].strip("\n").splitlines())
SEED = 3


def add(folder, text=BUS):
    with open(folder / "rig.ini", "a", encoding="utf-8") as file:
        file.write(text)


PREPARED = Prepared(SEED, add)


def a_sweep_agrees_with_the_truth():
    with harness.Bench(SEED, example=PREPARED.get()) as bench:
        seen = {c["channel"]: c for c in bench.must("probe", "--seconds", "3")["channels"]}
        assert abs(seen["ambient_degC"]["mean"] - 21) < 4 and seen["ambient_degC"]["n"] == 6, seen["ambient_degC"]
        assert seen["winding_degC"]["n"] == 0 and 25 <= seen["voltage_V"]["n"] <= 30, seen["voltage_V"]
        points = bench.must("sweep", "gentle", "--forced", "a bus")["points"]
        bench.stop()
        truth = text_drive.rows(bench.folder)
        for p in points:
            power = text_drive.mean(truth, "int_electric_J", p["begin_s"], p["end_s"])
            assert abs(power - p["input_power_W"]) < 1.6 * p["U_input_power_W"], (power, p)


def each_silent_in_mid_load_is_named_and_stopped_in_order():
    for address, cause, words in ((3, "instrument_silent", "modbus panel"), (4, "slow_stale", "modbus logger")):
        with harness.Bench(SEED, options=["--at", f"42 fault modbus-silent {address}"], example=PREPARED.get()) as bench:
            out = bench.run("sweep", "gentle", "--forced", "a cable", "--json").json
            assert out["cause"] == cause and out["message"].startswith(words), out["message"]
            assert "contactor open, shaft standing, brake released" in out["message"] + str(out), out
            bench.stop()
            truth = text_drive.rows(bench.folder)
            before = [row for row in truth if float(row["t_s"]) < 42][-1]
            assert float(before["speed_rad_per_s"]) > 1 and float(before["brake_A"]) > 0.01, before  # it was under load
            assert truth[-1]["drive_on"] == "0" and truth[-1]["contactor"] == "0", truth[-1]


def what_cannot_be_is_refused():
    for edits, words in (([("s32 high-first 0.1 mA", "s32 0.1 mA")], ["read_current: found the word order \"0.1\", expected high-first or low-first"]),
                         ([("input 2 s32", "input 1 s32")], ["read_current: lies on registers of read_voltage"]),
                         ([("read_current = input 2 s32 high-first 0.1 mA\n", "")], ["read_current: is missing; the roles need that register"]),
                         ([("input 0 u32", "coil 0 u32")], ["read_voltage: found \"coil\", expected holding or input first"]),
                         ([("holding 16 s16 0.1", "holding 70000 s16 0.1")], ["read_brake: found the register \"70000\", expected 0 to 65535"]),
                         ([("holding 16 s16 0.1", "holding 16 s16 0.1 V")], ["read_brake: found the step \"0.1 V\""]),
                         ([("address = 4", "address = 3")], ["Give each of the two an address of its own"]),
                         ([("address = 4\n", "")], ["address: found 0, expected the device's own number, 1 to 247"]),
                         ([("roles = meter", "roles = meter, power")], ["write_output: is missing; a supply that is set needs that register", "an output of a modbus has no lease"]),
                         ([("roles = meter", "roles = voltage")], ["read_current: is given, but the roles do not name what it tells"]),
                         ([("input 0 u32 high", "input 0 u32 middle"), ("holding 17", "holding 16"), ("holding 40 f32", "holding 40 f64")],
                          ["found the word order \"middle-first\"", "read_case: lies on registers of read_brake", "found the type \"f64\""])):
        with tempfile.TemporaryDirectory(prefix="bridle-") as home:
            folder = pathlib.Path(home) / "bench"
            shutil.copytree(harness.EXAMPLE, folder)
            text = BUS
            for old, new in edits:
                assert old in text, old
                text = text.replace(old, new, 1)
            add(folder, text)
            result = harness.run("probe", "--seconds", "1", "--bench", folder)
            said = " ".join(result.err.split())
            assert result.status == 2 and all(w in said for w in words), (words, result)


SERVER = """
import sys, struct, types
try:
    import serial_asyncio
except ImportError:  # its serial ports, which are not used here
    sys.modules["serial_asyncio"] = types.ModuleType("serial_asyncio")
    sys.modules["serial_asyncio"].create_serial_connection = None
from pymodbus.datastore import ModbusSequentialDataBlock, ModbusServerContext
try:
    from pymodbus.datastore import ModbusSlaveContext as Device
except ImportError:
    from pymodbus.datastore import ModbusDeviceContext as Device
try:
    from pymodbus.transaction import ModbusRtuFramer as Rtu, ModbusSocketFramer as Tcp
except ImportError:
    from pymodbus import FramerType
    Rtu, Tcp = FramerType.RTU, FramerType.SOCKET
from pymodbus.server import StartTcpServer

def words(value, form):
    return list(struct.unpack(">HH", struct.pack(form, value)))
inputs = words(479811, ">I") + words(-12034, ">i") + [0xFFFF - 123 + 1]
holding = list(reversed(words(21.5, ">f"))) + 8 * [0] + [1, 0, 0, 0]
# its data blocks count from 1
device = Device(di=None, co=None, hr=ModbusSequentialDataBlock(1, holding), ir=ModbusSequentialDataBlock(1, inputs))
units = dict(slaves={7: device}, single=False)
try:
    context = ModbusServerContext(**units)
except TypeError:
    context = ModbusServerContext(devices={7: device}, single=False)
StartTcpServer(context=context, address=("127.0.0.1", int(sys.argv[2])), framer=Rtu if sys.argv[1] == "rtu" else Tcp)
"""


def a_server_of_others_is_read():
    """48 V, -1.2 A and two temperatures by both framings; a register that it has not is told by its exception."""
    try:
        import pymodbus  # noqa: F401 pylint: disable=unused-import,import-outside-toplevel
    except ImportError as error:
        raise harness.Skipped("python3-pymodbus is not on this machine") from error
    for framing in ("tcp", "rtu"):
        with socket.socket() as s:
            s.bind(("127.0.0.1", 0))
            port = s.getsockname()[1]
        server = subprocess.Popen([sys.executable, "-c", SERVER, framing, str(port)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
        try:
            harness.wait_for(lambda: can_connect(port), 20, "the server")
            done = subprocess.run([os.environ["MODBUS_READER"], f"tcp:127.0.0.1:{port}", framing], capture_output=True, text=True, timeout=30)
            assert done.returncode == 0, done
            found = [float(x) for x in re.findall(r"-?[0-9.]+", done.stdout.splitlines()[0])]
            assert all(abs(a - b) < 1e-3 for a, b in zip(found, (47.9811, -1.2034, -12.3, 21.5), strict=True)), done.stdout
            assert_it_is_set(port, framing)
            assert "asked for holding register 999, it has no such register (exception 2)" in done.stdout, done.stdout
        finally:
            server.kill()
            server.communicate()


def assert_it_is_set(port, framing):
    """48 V by function 6, 12 A by function 16, on; and by TCP what the server then holds, asked by hand."""
    done = subprocess.run([os.environ["MODBUS_READER"], f"tcp:127.0.0.1:{port}", framing, "set"], capture_output=True, text=True, timeout=30)
    assert done.stdout.strip() == "set", done
    if framing == "tcp":
        with socket.create_connection(("127.0.0.1", port), 5) as line:
            line.sendall(struct.pack(">HHHBBHH", 1, 0, 6, 7, 3, 10, 4))
            assert struct.unpack(">4H", line.recv(64)[9:]) == (1, 4800, 12000, 0)


def can_connect(port):
    try:
        with socket.create_connection(("127.0.0.1", port), 1):
            return True
    except OSError:
        return False


if __name__ == "__main__":
    harness.main(a_sweep_agrees_with_the_truth, each_silent_in_mid_load_is_named_and_stopped_in_order, what_cannot_be_is_refused,
                 a_server_of_others_is_read)
