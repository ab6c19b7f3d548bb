"""What Ullage tells arrives: at a real mail server (aiosmtpd) and a real web server, both of which fail in every way.

Delivery is at least once. Whoever answers has it once. A second copy comes only where the sender cannot know that
the first one arrived (the connection is cut after the last line, the answer comes too late, the sender is killed
before it has written down that it was taken), and carries the same Message-ID (RFC 5322 section 3.6.4) or the same
`id` (CloudEvents 1.0.2 section 3.1.1). Signatures are checked by Python's `hmac`, events by the `cloudevents` package.
"""

import contextlib
import hashlib
import hmac
import re
import signal

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event

from harness import ROOT, passable_folder, program, run, wait_for
from receivers import PASSWORD, USER, Authority, MailServer, WebServer
from service import PATIENCE_S, Watch

SECRET = "twelve spools of thread"
# The printer of printer_rows.py has three receptacles past the order point of 70 %, and they open at its first poll.
WASTES = 3


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def certificate(authority):
    return authority.certificate("receiver", "IP:127.0.0.1")


@pytest.fixture(scope="module")
def mail_server(certificate):
    return MailServer(certificate, "starttls", login=True)


@pytest.fixture(scope="module")
def watch(tmp_path_factory, printer_agent, mail_server, authority):
    folder = passable_folder(tmp_path_factory, "watch")
    env = {
        "ULLAGE_SITE_TIME_ZONE": "Europe/Lisbon",
        "ULLAGE_POLL_EVERY": "10s",
        "ULLAGE_POLL_TIMEOUT": "10s",
        "ULLAGE_MAIL_SERVER": f"127.0.0.1:{mail_server.port}",
        "ULLAGE_MAIL_FROM": "ullage@loft.example",
        "ULLAGE_MAIL_USER": USER.decode(),
        "ULLAGE_MAIL_PASSWORD": PASSWORD.decode(),
        "ULLAGE_DELIVER_TRUST": str(authority.file),
        "ULLAGE_DELIVER_LINK": "http://loft.example:7830",
        # A try may take as long; on a machine that does much else a second is not enough.
        "ULLAGE_DELIVER_RETRY_AFTER": "3s",
        "ULLAGE_DELIVER_MAIL_APART": "0s",
        "ULLAGE_WEBHOOK_SECRET": SECRET,
        "ULLAGE_WEBHOOK_ALLOW_PRIVATE": "true",
    }
    watch = Watch(folder, printer_agent, env)
    watch.start()
    try:
        yield watch
    finally:
        watch.stop()


def ids(mails):
    return [message["message-id"] for _, message in mails]


def test_mail_waits_for_a_server_that_is_down_and_comes_once(watch, mail_server):
    with contextlib.ExitStack() as stack:
        with watch.told("mail", "ada@loft.example") as name:
            refused = lambda: [it for it in watch.messages(name) if it["fault"]]  # noqa: E731
            fault = wait_for("a try that failed", refused, patience_s=PATIENCE_S)[0]["fault"]
            assert f"127.0.0.1:{mail_server.port}" in fault and "refused" in fault
            assert not mail_server.came
            assert "tried" in watch.page("/alerts/told")
            stack.enter_context(mail_server.open())
            sent = watch.all_sent(name, 1)
            assert ids(mail_server.came) == [f"<{sent[0]['key']}@loft.example>"], "once, after it was refused"
            readable(mail_server.came[0][1])
        misbehaving_mail(watch, mail_server)
        killed_mail(watch, mail_server)
        refused_mail(watch, mail_server)
        assert mail_server.refused == 0


def readable(mail):
    assert (mail["from"], mail["to"]) == ("ullage@loft.example", "ada@loft.example")
    assert mail["auto-submitted"] == "auto-generated" and mail["date"].datetime.tzinfo
    assert mail["subject"].endswith("and 2 more"), "three alerts are one mail"
    kinds = [part.get_content_type() for part in mail.iter_parts()]
    assert kinds == ["text/plain", "text/html"]
    for part in mail.iter_parts():
        links = set(re.findall(r"http://loft\.example:7830/alerts/\d+", part.get_content()))
        assert len(links) == WASTES


def misbehaving_mail(watch, server):
    """Every way in which a server that is up lets a mail down, each with a printer of its own."""
    # (what the server does in turn, how many copies it has in the end)
    for steps in [["later", "later"], ["cut"], ["slow"], ["cut", "later", "cut"]]:
        server.came.clear()
        server.then(*steps)
        with watch.told("mail", "ada@loft.example") as name:
            sent = watch.all_sent(name, 1)[0]
            wait_for("every step was taken", lambda: len(server.came) == len(steps) + 1)  # noqa: B023
            assert set(ids(server.came)) == {f"<{sent['key']}@loft.example>"}, steps
            contents = {message.as_bytes() for _, message in server.came}
            assert len(contents) == 1, "every copy is the same, octet by octet"
            assert sent["attempts"] == len(steps) + 1


def killed_mail(watch, server):
    server.came.clear()
    server.then("kill")
    server.on_kill = lambda: watch.process.send_signal(signal.SIGKILL)
    with watch.told("mail", "ada@loft.example") as name:
        wait_for("the service is killed", lambda: watch.process.poll() is not None, patience_s=PATIENCE_S)
        assert [step for step, _ in server.came] == ["kill"], "it has the mail, and the service does not know"
        watch.start()
        sent = watch.all_sent(name, 1)[0]
        assert ids(server.came) == [f"<{sent['key']}@loft.example>"] * 2, "again, by the same Message-ID"


def refused_mail(watch, server):
    server.came.clear()
    server.then("never")
    with watch.told("mail", "ada@loft.example") as name:
        given_up = lambda: [it for it in watch.messages(name) if it["given_up_at"]]  # noqa: E731
        given_up = wait_for("it is given up", given_up, patience_s=PATIENCE_S)[0]
        assert given_up["attempts"] == 1 and "no such thing here" in given_up["fault"]
        page = watch.page("/alerts/told")
        assert "given up" in page and "no such thing here" in page, "a dead letter is there to be seen"
        row = watch.rows("select max(id) as id from message")[0]
        watch.post("/alerts/told/again", message=row["id"])
        watch.all_sent(name, 1)
        assert len(set(ids(server.came))) == 1 and len(server.came) == 2


def events(server):
    """The events that came, read by the cloudevents package, with their signatures checked."""
    read = []
    for _, headers, body in server.came:
        lower = {name.lower(): value for name, value in headers.items()}
        expected = hmac.new(SECRET.encode(), body, hashlib.sha256).hexdigest()
        assert hmac.compare_digest(lower["ullage-signature"], expected)
        assert lower["content-type"].startswith("application/cloudevents+json")
        read.append(from_http_event(HTTPMessage(lower, body)))
    return read


def test_every_call_is_an_event_that_is_signed_and_comes_once(watch):
    server = WebServer()
    with watch.told("webhook", server.url) as name:
        wait_for("a try that failed", lambda: [it for it in watch.messages(name) if it["fault"]], patience_s=PATIENCE_S)
        with server.open():
            sent = watch.all_sent(name, WASTES)
            came = events(server)
            assert sorted(event.get_id() for event in came) == sorted(it["key"] for it in sent), "each once"
            for event in came:
                assert event.get_specversion() == "1.0"
                assert event.get_type() == "ullage.alert.opened"
                assert event.get_source() == "http://loft.example:7830/alerts"
                assert event.get_time().utcoffset() is not None
                data = event.get_data()
                assert (data["rule"], data["severity"], data["device"]) == ("waste_order_point", "warning", name)
                assert data["link"] == f"http://loft.example:7830/alerts/{data['alert']}" and event.get_subject()
            assert len({event.get_data()["slot_id"] for event in came}) == WASTES


@pytest.mark.parametrize("steps", [[500, 503], [429], [408], ["cut"], ["slow"], [500, "cut", "slow"]], ids=str)
def test_calls_that_go_wrong_are_made_again_by_the_same_id(watch, steps):
    server = WebServer()
    server.then(*steps)
    with server.open(), watch.told("webhook", server.url) as name:
        sent = watch.all_sent(name, WASTES)
        assert {event.get_id() for event in events(server)} == {it["key"] for it in sent}, "nothing is lost"
        assert len(server.came) == WASTES + len(steps), "as often as it had to be, and no oftener"
        assert sum(it["attempts"] for it in sent) == len(server.came)
        bodies = {}
        for event, (_, _, body) in zip(events(server), server.came, strict=True):
            assert bodies.setdefault(event.get_id(), body) == body, "every copy is the same, octet by octet"


def test_a_service_that_is_killed_before_it_writes_down_calls_again_by_the_same_id(watch):
    server = WebServer()
    server.then("kill")
    server.on_kill = lambda: watch.process.send_signal(signal.SIGKILL)
    with server.open(), watch.told("webhook", server.url) as name:
        wait_for("the service is killed", lambda: watch.process.poll() is not None, patience_s=PATIENCE_S)
        watch.start()
        sent = watch.all_sent(name, WASTES)
        came = [event.get_id() for event in events(server)]
        assert sorted(set(came)) == sorted(it["key"] for it in sent)
        assert len(came) == WASTES + 1 and came.count(came[0]) == 2, "the one that it was killed over, and no other"


@pytest.mark.parametrize("status", [400, 404, 410, 302])
def test_a_call_that_is_refused_for_good_is_given_up_in_sight(watch, status):
    server = WebServer()
    server.then(status, status, status)
    with server.open(), watch.told("webhook", server.url) as name:

        def all_given_up():
            messages = watch.messages(name)
            return len(messages) == WASTES and all(it["given_up_at"] for it in messages)

        wait_for("they are given up", all_given_up, patience_s=PATIENCE_S)
        assert len(server.came) == WASTES, "asked once each, and no redirect is followed"
        assert f"It answers {status}" in watch.page("/alerts/told")


def notify_test(words, **env):
    settings = {"ULLAGE_MAIL_FROM": "ullage@loft.example", "ULLAGE_WEBHOOK_ALLOW_PRIVATE": "true", **env}
    return run([program("ullage"), "notify-test", *words], env={key: str(value) for key, value in settings.items()})


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_mail_is_handed_over_only_to_whom_a_trusted_authority_vouches_for(authority, certificate, security):
    wrong = authority.certificate("elsewhere", "DNS:elsewhere.example")
    for shown, trusted, arrives in [(certificate, True, True), (certificate, False, False), (wrong, True, False)]:
        server = MailServer(shown, security)
        env = {"ULLAGE_MAIL_SERVER": f"127.0.0.1:{server.port}", "ULLAGE_MAIL_SECURITY": security}
        if trusted:
            env["ULLAGE_DELIVER_TRUST"] = authority.file
        with server.open():
            done = notify_test(["mail", "ada@loft.example"], **env)
        assert (done.returncode == 0) == arrives, done.stderr
        assert len(server.came) == arrives
        if not arrives:
            assert "certificate" in done.stderr.lower(), done.stderr


def test_no_password_and_no_mail_goes_over_a_connection_that_cannot_be_made_safe(authority):
    server = MailServer(None, "none")
    env = {"ULLAGE_MAIL_SERVER": f"127.0.0.1:{server.port}", "ULLAGE_DELIVER_TRUST": authority.file}
    with server.open():
        done = notify_test(["mail", "ada@loft.example"], **env)
        assert done.returncode == 1 and not server.came, done.stdout
        plain = notify_test(["mail", "ada@loft.example"], ULLAGE_MAIL_SECURITY="none", **env)
        assert plain.returncode == 0 and len(server.came) == 1, plain.stderr


def test_a_server_that_never_answers_is_not_waited_for_for_ever(authority, certificate):
    server = MailServer(certificate, "starttls")
    server.then("slow")
    env = {"ULLAGE_MAIL_SERVER": f"127.0.0.1:{server.port}", "ULLAGE_DELIVER_TRUST": authority.file}
    with server.open():
        done = notify_test(["mail", "ada@loft.example"], ULLAGE_DELIVER_RETRY_AFTER="2s", **env)
    assert done.returncode == 1 and "2s" in done.stderr, done.stderr


def test_a_wrong_password_is_said(authority, certificate):
    server = MailServer(certificate, "starttls", login=True)
    env = {
        "ULLAGE_MAIL_SERVER": f"127.0.0.1:{server.port}",
        "ULLAGE_DELIVER_TRUST": authority.file,
        "ULLAGE_MAIL_USER": "loft",
        "ULLAGE_MAIL_PASSWORD": "wrong",
    }
    with server.open():
        done = notify_test(["mail", "ada@loft.example"], **env)
    assert done.returncode == 1 and server.refused == 1 and not server.came
    assert "535" in done.stderr or "Authentication" in done.stderr, done.stderr


def test_a_call_is_made_only_to_whom_a_trusted_authority_vouches_for(authority, certificate):
    server = WebServer(certificate)
    with server.open():
        trusted = notify_test(["webhook", server.url], ULLAGE_DELIVER_TRUST=authority.file)
        assert trusted.returncode == 0 and len(server.came) == 1, trusted.stderr
        unknown = notify_test(["webhook", server.url])
        assert unknown.returncode == 1 and len(server.came) == 1 and "certificate" in unknown.stderr.lower()
        private = notify_test(["webhook", server.url], ULLAGE_WEBHOOK_ALLOW_PRIVATE="false")
        assert private.returncode == 2 and "private" in private.stderr and len(server.came) == 1


def test_a_file_of_no_certificates_is_said_by_its_key():
    done = notify_test(["mail", "ada@loft.example"], ULLAGE_DELIVER_TRUST=ROOT / "README.md")
    assert done.returncode == 2 and "ULLAGE_DELIVER_TRUST" in done.stderr and "no certificate" in done.stderr
