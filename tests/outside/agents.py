"""net-snmp's own agent, set up as a printer that we know every figure of."""

import contextlib
import os
import sys
from pathlib import Path

from harness import running, udp_ports, wait_for

COMMUNITY = "beeswax"
AUTH_PASSWORD = "twelve spools of thread"
PRIVACY_PASSWORD = "bone folder and awl"

AUTH_VARIABLE, PRIVACY_VARIABLE = "ULLAGE_SNMP_AUTH_PASSWORD", "ULLAGE_SNMP_PRIVACY_PASSWORD"

# (user, net-snmp's and our words for the protocols): SHA-256 is the one that RFC 7860 §8 demands, SHA-1
# with AES-128 (RFC 3826) and MD5 with DES (RFC 3414) are what older devices have.
USERS = {
    "hem256": (("SHA-256", "AES"), ("sha256", "aes128")),
    "hemsha": (("SHA", "AES"), ("sha1", "aes128")),
    "hemmd5": (("MD5", "DES"), ("md5", "des")),
}

# Only what a small device would have. snmpd's own host resources would say what this computer is.
MODULES = "system_mib,sysORTable,pass_persist,usmConf,usmUser,usmStats,vacm_conf,vacm_vars,snmpEngine"

TABLES = ["1.3.6.1.2.1.25.3.2", "1.3.6.1.2.1.25.3.5", "1.3.6.1.2.1.43"]


def v3_options(user):
    """Options and environment that make `ullage poll` ask as this user."""
    return v3_poll(user, USERS[user][1], AUTH_PASSWORD, PRIVACY_PASSWORD)


def v3_poll(user, protocols, auth_password, privacy_password):
    """The same for any user: passwords go through the environment, which other users cannot list."""
    auth, privacy = protocols
    options = ["--snmp", "v3", "--user", user, "--auth-protocol", auth, "--privacy-protocol", privacy]
    return options, {AUTH_VARIABLE: auth_password, PRIVACY_VARIABLE: privacy_password}


def net_snmp_v3(user, auth=AUTH_PASSWORD, privacy=PRIVACY_PASSWORD, protocols=None):
    """The same for net-snmp's programs."""
    auth_protocol, privacy_protocol = protocols or USERS[user][0]
    return [
        "-v3", "-u", user, "-l", "authPriv", "-a", auth_protocol, "-A", auth, "-x", privacy_protocol, "-X", privacy,
    ]  # fmt: skip


def snmpd_program():
    """Debian puts it where only root's PATH looks."""
    for folder in [*os.environ["PATH"].split(":"), "/usr/sbin", "/sbin"]:
        if (Path(folder) / "snmpd").is_file():
            return str(Path(folder) / "snmpd")
    raise AssertionError("snmpd is not installed: `apt-get install snmpd`")


@contextlib.contextmanager
def snmpd(folder, printer):
    """Runs net-snmp's agent on a free port of loopback, as a printer or as something else."""
    lines = [
        "sysDescr Wide-format ink printer, eight inks",
        "sysName bobbin",
        "sysLocation Print loft, north wall",
        "sysContact workshop desk",
        "sysObjectID .1.3.6.1.4.1.32473.7",  # RFC 5612: 32473 is the enterprise number for examples
        f"rocommunity {COMMUNITY} 127.0.0.1",
    ]
    for user, ((auth, privacy), _) in USERS.items():
        lines.append(f'createUser {user} {auth} "{AUTH_PASSWORD}" {privacy} "{PRIVACY_PASSWORD}"')
        lines.append(f"rouser {user} priv")
    if printer:
        script = Path(__file__).with_name("serve_rows.py")
        lines += [f"pass_persist .{table} {sys.executable} -u {script}" for table in TABLES]
    (folder / "snmpd.conf").write_text("\n".join(lines) + "\n")
    (folder / "snmp.conf").write_text(f"persistentDir {folder}\n")
    command = [snmpd_program(), "-f", "-C", "-c", str(folder / "snmpd.conf"), "-Lf", str(folder / "log")]
    command += ["-I", MODULES, "udp:127.0.0.1:0"]
    env = {**os.environ, "SNMPCONFPATH": str(folder), "SNMP_PERSISTENT_DIR": str(folder), "MIBS": ""}
    with running(command, env=env, cwd=folder) as process:
        ready = lambda: "NET-SNMP version" in log_of(folder) and udp_ports(process.pid)  # noqa: E731
        yield wait_for("snmpd listens", ready, process)[0]


def log_of(folder):
    path = folder / "log"
    return path.read_text() if path.exists() else ""
