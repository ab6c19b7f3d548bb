"""Fixtures that the outside checks share."""

import socket

import pytest

import agents
from harness import NetSnmp, passable_folder
from month_demo import demo_in


@pytest.fixture(scope="session")
def net_snmp(tmp_path_factory):
    """net-snmp's command-line programs."""
    return NetSnmp(tmp_path_factory.mktemp("net-snmp"))


@pytest.fixture(scope="session")
def printer_agent(tmp_path_factory):
    """Debian's snmpd as the agent of a printer: its port."""
    with agents.snmpd(tmp_path_factory.mktemp("printer"), printer=True) as port:
        yield port


@pytest.fixture(scope="session")
def plain_agent(tmp_path_factory):
    """Debian's snmpd on a machine that has no printer: its port."""
    with agents.snmpd(tmp_path_factory.mktemp("plain"), printer=False) as port:
        yield port


@pytest.fixture
def silent_port():
    """A port of loopback that stays bound and never answers."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent:
        silent.bind(("127.0.0.1", 0))
        yield silent.getsockname()[1]


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """The demo with its whole history, its clock almost standing."""
    folder = passable_folder(tmp_path_factory, "demo")
    with demo_in(folder) as shown:
        yield shown
