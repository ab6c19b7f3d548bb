"""The pages by TLS, asked by another stack: OpenSSL, by way of Python's ssl.

RFC 8446 and RFC 5246 are spoken, RFC 8996 forbids what came before. A certificate that is renewed in its files is
served without a restart, and one that is half written is not.
"""

import re
import shutil
import socket
import ssl
import subprocess

import pytest

from harness import passable_folder, program, wait_for
from receivers import Authority


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def served(authority, tmp_path_factory):
    """(port, certificate file, key file) of a running service."""
    folder = passable_folder(tmp_path_factory, "tls")
    certificate, key = folder / "pages.pem", folder / "pages.key"
    for made, kept in zip(authority.certificate("first", "DNS:localhost"), (certificate, key), strict=True):
        shutil.copy(made, kept)
    settings = folder / "ullage.toml"
    settings.write_text(f'[listen]\naddress = "127.0.0.1:0"\ncertificate = "{certificate}"\nkey = "{key}"\n')
    said = folder / "said"
    with said.open("w") as out, (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [program("ullage"), "--config", str(settings), "--data-dir", str(folder / "data"), "serve"],
            stdin=subprocess.DEVNULL, stdout=out, stderr=log,
        )  # fmt: skip
    try:
        address = lambda: re.search(r"https://127\.0\.0\.1:(\d+)", said.read_text())  # noqa: E731
        port = int(wait_for("the service says where it is", address, process, 60).group(1))
        yield port, certificate, key
    finally:
        process.send_signal(2)
        process.wait(30)


def ask(port, authority, **limits):
    """(the version, the name in the certificate, the status line) of one request."""
    context = ssl.create_default_context(cafile=str(authority.file))
    for limit, value in limits.items():
        setattr(context, limit, value)
    with socket.create_connection(("127.0.0.1", port), timeout=20) as plain:
        with context.wrap_socket(plain, server_hostname="localhost") as stream:
            stream.sendall(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
            name = dict(pair for part in stream.getpeercert()["subject"] for pair in part)["commonName"]
            return stream.version(), name, stream.recv(4096).split(b"\r\n")[0]


@pytest.mark.parametrize("version, told", [(ssl.TLSVersion.TLSv1_2, "TLSv1.2"), (ssl.TLSVersion.TLSv1_3, "TLSv1.3")])
def test_pages_are_served_by_both_versions(served, authority, version, told):
    seen = ask(served[0], authority, minimum_version=version, maximum_version=version)
    assert seen == (told, "first", b"HTTP/1.1 200 OK")


def test_older_versions_and_plain_requests_get_nothing(served, authority):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.load_verify_locations(authority.file)
    context.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.warns(DeprecationWarning):
        context.minimum_version = ssl.TLSVersion.TLSv1
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with socket.create_connection(("127.0.0.1", served[0]), timeout=20) as plain:
        with pytest.raises(ssl.SSLError):
            context.wrap_socket(plain, server_hostname="localhost")
    with socket.create_connection(("127.0.0.1", served[0]), timeout=20) as plain:
        plain.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert not plain.recv(4096).startswith(b"HTTP/")


def test_a_renewed_certificate_is_served_and_a_broken_one_is_not(served, authority):
    port, certificate, key = served
    whole = certificate.read_bytes()
    certificate.write_bytes(whole[: len(whole) // 2])
    assert ask(port, authority)[1] == "first"
    for made, kept in zip(authority.certificate("second", "DNS:localhost"), (certificate, key), strict=True):
        shutil.copy(made, kept)
    renewed = lambda: ask(port, authority)[1] == "second"  # noqa: E731
    wait_for("the new certificate is served", renewed, None, 60)
