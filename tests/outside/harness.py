"""Starts the programs that the outside checks hold against each other, and ends them again.

Nothing listens on a fixed port: a server is started on port 0 and its port is read from the kernel.
"""

import contextlib
import json
import os
import re
import subprocess
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PROGRAMS = Path(os.environ.get("ULLAGE_PROGRAMS", ROOT / "target" / "debug"))
PATIENCE_S = 20
HEXADECIMAL = re.compile(r"[0-9A-F]{2}( [0-9A-F]{2})*")

# How net-snmp shows the exception endOfMibView (RFC 3416 §4.2.2), which ends a walk past the last row.
END_OF_MIB = "No more variables left in this MIB View"


def program(name):
    """The path of a program of this project, built beforehand."""
    path = PROGRAMS / name
    assert path.is_file(), f"{path} is not built: run `cargo build --workspace` first"
    return str(path)


def wait_for(what, condition, process=None, patience_s=PATIENCE_S):
    """The first true value of `condition`; fails when that takes too long or the process has ended."""
    deadline = time.monotonic() + patience_s
    while time.monotonic() < deadline:
        value = condition()
        if value:
            return value
        if process is not None and process.poll() is not None:
            raise AssertionError(f"{process.args[0]} ended with {process.returncode} before {what}")
        time.sleep(0.02)
    raise AssertionError(f"waited {patience_s} s for {what}")


def passable_folder(factory, name):
    """A folder of pytest's with way through for others: root's database runs as another user."""
    folder = factory.mktemp(name)
    for part in [folder, factory.getbasetemp()]:
        part.chmod(0o711)
    return folder


def udp_ports(pid):
    """The UDP ports that a process holds open on IPv4, from the kernel's tables."""
    sockets = set()
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):
            target = os.readlink(entry)
            if target.startswith("socket:["):
                sockets.add(target[8:-1])
    ports = []
    for line in Path("/proc/net/udp").read_text().splitlines()[1:]:
        fields = line.split()
        if fields[9] in sockets:
            ports.append(int(fields[1].split(":")[1], 16))
    return sorted(ports)


@contextlib.contextmanager
def running(command, **options):
    """A process that lives as long as the block; told to stop by SIGINT, then less kindly."""
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, **options)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(2)
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        for pipe in filter(None, (process.stdout, process.stderr)):
            pipe.close()


def poll(port, *options, env=None):
    """Runs `ullage poll` on one device: (exit status, reading or None, what it said)."""
    command = [program("ullage"), "poll", f"127.0.0.1:{port}", "--json", *options]
    done = run(command, env=env)
    reading = json.loads(done.stdout) if done.returncode == 0 else None
    return done.returncode, reading, done.stderr


def run(command, env=None):
    """Runs a command to its end and returns it with its output as text."""
    return subprocess.run(
        command,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S * 3,
        stdin=subprocess.DEVNULL,
        env={**os.environ, **(env or {})},
    )


class NetSnmp:
    """net-snmp's command-line programs with a configuration of their own, apart from the machine's."""

    def __init__(self, folder):
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "snmp.conf").write_text(f"persistentDir {folder}\n")
        self.env = {"SNMPCONFPATH": str(folder), "SNMP_PERSISTENT_DIR": str(folder), "MIBS": ""}

    def read(self, tool, credentials, port, *oids, options=()):
        """What a walk or get answers, as {OID: (type, value)}; values as net-snmp prints them raw."""
        command = [tool, "-OnUex", "-Ih", "-t", "2", "-r", "2", *options, *credentials, f"127.0.0.1:{port}", *oids]
        done = run(command, env=self.env)
        assert done.returncode == 0, f"{' '.join(command)}: {done.stderr or done.stdout}"
        return parse_rows(done.stdout)


def parse_rows(text):
    """net-snmp's lines `.1.3.6.1 = TYPE: value` as {OID without its first dot: (type, value)}.

    With -Ox every string comes as hexadecimal octets, which go over several lines when there are many.
    """
    rows, last = {}, None
    for line in text.splitlines():
        if END_OF_MIB in line:
            continue
        if line.startswith(".") and " = " in line:
            oid, _, value = line.partition(" = ")
            last = oid[1:]
            kind, colon, rest = value.partition(": ")
            rows[last] = (kind, rest.strip()) if colon else ("", value.strip())
        elif last is not None and HEXADECIMAL.fullmatch(line.strip()):
            kind, value = rows[last]
            rows[last] = (kind, f"{value} {line.strip()}".strip())
    return rows


def octets(row):
    """The octets of a string row read with -Ox."""
    kind, value = row
    if kind == "Hex-STRING":
        return bytes.fromhex(value.replace(" ", ""))
    assert value in ('""', ""), f"not octets: {row}"
    return b""


def integer(row):
    """The number of an INTEGER, Counter32, Gauge32 or Timeticks row."""
    kind, value = row
    assert kind in {"INTEGER", "Counter32", "Gauge32", "Timeticks"}, f"not a number: {row}"
    return int(value.strip("()").split(")")[0].lstrip("("))
