"""The Debian package as dpkg sees it: put into a root of its own, run from there, taken away and purged.

dpkg runs the package's scripts with DPKG_ROOT set (dpkg(1), --force-script-chrootless). What would make a user of
this machine is told to a file instead.
"""

import os
import re
import shutil
import signal
import stat
import subprocess
import urllib.request
from pathlib import Path

import pytest

from harness import ROOT, passable_folder, program, run, wait_for

STANDS_IN = '#!/bin/sh\necho "$(basename "$0") $*" >>"$SAID"\n[ "$(basename "$0")" != getent ]\n'


class Machine:
    """A root of its own for dpkg, in which nothing is installed."""

    def __init__(self, folder):
        self.root, self.said, stand_ins = folder / "root", folder / "said", folder / "stand-ins"
        (self.root / "var/lib/dpkg/info").mkdir(parents=True)
        (self.root / "var/lib/dpkg/updates").mkdir()
        (self.root / "var/lib/dpkg/status").touch()
        stand_ins.mkdir()
        for name in ["adduser", "chown", "getent"]:
            (stand_ins / name).write_text(STANDS_IN)
            (stand_ins / name).chmod(0o755)
        self.env = {"PATH": f"{stand_ins}:{os.environ['PATH']}:/usr/sbin:/sbin", "SAID": str(self.said)}

    def dpkg(self, *words):
        force = "--force-not-root,script-chrootless,depends"
        done = run(["dpkg", f"--root={self.root}", f"--log={self.root}/log", force, *words], env=self.env)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    # What was built for the tests stands where `cargo deb` looks for what it would build itself, which takes minutes.
    target = tmp_path_factory.mktemp("package")
    (target / "release").mkdir()
    shutil.copy(program("ullage"), target / "release")
    out, manifest = target / "ullage.deb", ROOT / "Cargo.toml"
    words = ["cargo", "deb", "--no-build", "--fast", "--strip", "--locked", "--manifest-path", str(manifest)]
    done = run([*words, "--output", str(out)], env={"CARGO_TARGET_DIR": str(target)})
    assert done.returncode == 0, done.stderr
    return out


def mode(path):
    return stat.S_IMODE(path.stat().st_mode)


def serves_and_stops(installed, data):
    """The installed program says that its settings are good, serves a page that says ok, and ends when told to."""
    words = [str(installed), "--data-dir", str(data)]
    said = data.parent / "said"
    with said.open("w") as out:
        service = subprocess.Popen(
            [*words, "serve", "--listen", "127.0.0.1:0"], stdin=subprocess.DEVNULL, stdout=out, stderr=out
        )
    try:
        address = lambda: re.search(r"http://127\.0\.0\.1:\d+", said.read_text())  # noqa: E731
        found = wait_for("the service says where it is", address, service, 60).group(0)
        with urllib.request.urlopen(f"{found}/healthz", timeout=30) as answer:
            assert answer.read().decode().strip() == "ok"
        checked = run([*words, "check"])
        assert checked.returncode == 0, checked.stdout + checked.stderr
    finally:
        service.send_signal(signal.SIGTERM)
        assert service.wait(60) == 0, said.read_text()


def test_a_package_says_what_it_is_and_needs(package):
    field = lambda name: run(["dpkg-deb", "--field", str(package), name]).stdout.strip()  # noqa: E731
    version = run([program("ullage"), "--version"]).stdout.split()[1]
    assert (field("Package"), field("Version")) == ("ullage", version)
    assert {"adduser", "libc6"} <= {one.split()[0] for one in field("Depends").split(", ")}
    assert len(field("Description").splitlines()[0]) < 80, "one line, by Debian's policy"
    newest = (ROOT / "packaging/debian/changelog").read_text().splitlines()[0]
    assert newest.startswith(f"ullage ({version}) ")


def test_a_package_is_installed_runs_and_is_purged(package, tmp_path_factory):
    folder = passable_folder(tmp_path_factory, "machine")
    machine = Machine(folder)
    machine.dpkg("-i", str(package))
    told = machine.said.read_text()
    assert "adduser --system" in told and f"chown ullage:ullage {machine.root}/var/lib/ullage" in told, told
    data, settings = machine.root / "var/lib/ullage", machine.root / "etc/ullage/ullage.toml"
    assert (mode(data), mode(settings)) == (0o700, 0o640)
    unit = (machine.root / "lib/systemd/system/ullage.service").read_text()
    started = re.search(r"^ExecStart=(\S+)", unit, re.M).group(1)
    installed = machine.root / started.lstrip("/")
    assert installed.is_file() and "ULLAGE_CONFIG=/etc/ullage/ullage.toml" in unit

    serves_and_stops(installed, folder / "data")

    (data / "store").mkdir()
    settings.write_text(settings.read_text() + '[site]\nname = "Print loft"\n')
    machine.dpkg("-i", str(package))
    assert "Print loft" in settings.read_text(), "an update keeps what was set"
    machine.dpkg("-r", "ullage")
    assert not installed.exists() and settings.exists() and (data / "store").exists()
    machine.dpkg("-P", "ullage")
    assert not data.exists() and not settings.exists()
    left = [path for path in machine.root.rglob("*") if "ullage" in path.name]
    assert not left, left
