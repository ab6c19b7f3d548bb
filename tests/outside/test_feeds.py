"""The feeds as other people's programs read them: `icalendar` (RFC 5545) and `feedparser` (Atom, RFC 4287)."""

import datetime
import hashlib
import html
import re
import urllib.error
import urllib.request

import feedparser
import pytest
from icalendar import Calendar

import agents
from harness import passable_folder, wait_for
from service import PATIENCE_S, Watch


@pytest.fixture(scope="module")
def watch(tmp_path_factory, printer_agent):
    folder = passable_folder(tmp_path_factory, "feeds")
    env = {"ULLAGE_SITE_TIME_ZONE": "Europe/Lisbon", "ULLAGE_POLL_EVERY": "10s", "ULLAGE_POLL_TIMEOUT": "10s"}
    watch = Watch(folder, printer_agent, env)
    watch.start()
    try:
        watch.say("devices", "add", f"127.0.0.1:{printer_agent}", "--name", "Bobbin; \u201cthe 2nd\u201d, 44\u2033",
                  "--snmp", "v2c", "--community", agents.COMMUNITY)  # fmt: skip
        opened = lambda: len(watch.rows("select id from alert where rule = 'waste_order_point'")) >= 3  # noqa: E731
        wait_for("its receptacles are told of", opened, watch.process, PATIENCE_S)
        yield watch
    finally:
        watch.stop()


def fetch(address):
    with urllib.request.urlopen(address, timeout=60) as response:
        return response.headers, response.read()


def made(watch, page):
    """The addresses on a page, as they are at this service: what they lead to elsewhere is a setting."""
    found = re.findall(r"/feeds/([0-9a-f]{64})/([a-z.]+)", page)
    secrets, files = {secret for secret, _ in found}, {file for _, file in found}
    assert len(secrets) == 1 and files == {"tasks.ics", "days.ics", "alerts.atom"}
    return secrets.pop(), lambda secret, file: f"{watch.address}/feeds/{secret}/{file}"


def renewed(watch):
    request = urllib.request.Request(
        watch.address + "/alerts/feeds/renew", b"", headers={"origin": watch.address}, method="POST"
    )
    with urllib.request.urlopen(request, timeout=60) as response:
        assert response.headers["cache-control"] == "no-store"
        return made(watch, response.read().decode())


def gone(address):
    with pytest.raises(urllib.error.HTTPError) as refused:
        fetch(address)
    refused.value.close()
    return refused.value.code == 404


def test_tasks_are_a_calendar_that_another_program_reads_alike(watch):
    secret, at = renewed(watch)

    def alike():
        """The calendar and the page Today, when nothing has come between them."""
        headers, body = fetch(at(secret, "tasks.ics"))
        headlines = re.findall(r'class="headline">.*?<a href="[^"]*">(.*?)</a>', watch.page("/"))
        shown = sorted(html.unescape(headline) for headline in headlines)
        told = sorted(str(todo["summary"]) for todo in Calendar.from_ical(body).walk("VTODO"))
        return (headers, body, shown) if shown == told else None

    headers, body, shown = wait_for("calendar and page say the same", alike)
    assert any(";" in what and "," in what for what in shown), shown
    assert headers.get_content_type() == "text/calendar" and headers.get_content_charset() == "utf-8"
    lines = body.split(b"\r\n")
    assert all(len(line) <= 75 and b"\n" not in line for line in lines), "RFC 5545 section 3.1"
    todos = Calendar.from_ical(body).walk("VTODO")
    for todo in todos:
        assert type(todo["due"].dt) is datetime.date
        assert todo["dtstamp"].dt.utcoffset() == datetime.timedelta(0)
        assert str(todo["url"]).startswith("http://")
        assert todo["description"] and not todo.errors
    uids = [str(todo["uid"]) for todo in todos]
    assert len(set(uids)) == len(uids)
    _, again = fetch(at(secret, "tasks.ics"))
    assert [str(todo["uid"]) for todo in Calendar.from_ical(again).walk("VTODO")] == uids, "they stay what they were"
    events = Calendar.from_ical(fetch(at(secret, "days.ics"))[1]).walk("VEVENT")
    assert [str(event["uid"]) for event in events] == uids
    assert [event["dtstart"].dt for event in events] == [todo["due"].dt for todo in todos]


def test_alerts_are_a_feed_that_another_program_reads_alike(watch):
    secret, at = renewed(watch)

    def alike():
        """The feed and what is kept, when nothing has come between them."""
        headers, body = fetch(at(secret, "alerts.atom"))
        kept = {f"/alerts/{it['id']}": it for it in watch.rows("select id, summary, opened_at from alert")}
        return (headers, body, kept) if body.count(b"<entry>") == len(kept) else None

    headers, body, kept = wait_for("the feed holds what is kept", alike)
    assert headers.get_content_type() == "application/atom+xml"
    feed = feedparser.parse(body)
    assert not feed.bozo and feed.version == "atom10", feed.get("bozo_exception")
    entries = {"/alerts/" + entry.id.rsplit("/", 1)[1]: entry for entry in feed.entries}
    assert entries.keys() == kept.keys() and len(entries) == len(feed.entries)
    for key, entry in entries.items():
        assert entry.title == kept[key]["summary"]
        opened = datetime.datetime.fromisoformat(kept[key]["opened_at"])
        assert entry.published_parsed[:6] == opened.astimezone(datetime.timezone.utc).timetuple()[:6]
        assert entry.link == entry.id and entry.updated >= entry.published
    updates = [entry.updated_parsed for entry in feed.entries]
    assert updates == sorted(updates, reverse=True) and feed.feed.updated_parsed == updates[0]


def test_an_address_is_shown_once_kept_as_a_digest_and_can_be_taken_back(watch):
    old, at = renewed(watch)
    assert old not in watch.page("/alerts/feeds")
    digest = watch.rows("select encode(digest, 'hex') as digest from feed")
    assert digest == [{"digest": hashlib.sha256(old.encode()).hexdigest()}]
    for wrong in ["0" * 64, old[:-1], old + "0", old.upper(), "x"]:
        assert wrong == old or gone(at(wrong, "tasks.ics")), wrong
    new, _ = made(watch, watch.say("feed", "renew"))
    assert new != old and gone(at(old, "alerts.atom"))
    fetch(at(new, "alerts.atom"))
    watch.say("feed", "stop")
    assert gone(at(new, "alerts.atom")) and gone(at(new, "tasks.ics"))
