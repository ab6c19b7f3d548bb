"""Sign-in by OpenID Connect, against a provider of Authlib's making, by a browser that follows nothing by itself.

Each token that is not as OpenID Connect Core 1.0, 3.1.3.7 wants it, and each way back that is not the one that this
browser went out by, is refused with a sentence, and nobody is in.
"""

import html
import re
import ssl
import time
import urllib.error
import urllib.parse
import urllib.request
from http.cookiejar import CookieJar

import pytest

from harness import passable_folder
from provider import CLIENT, SECRET, Client, Provider, new_key
from receivers import Authority
from service import Watch

IDA = {"sub": "248289761001", "preferred_username": "Ida Quill", "groups": ["loft"]}


@pytest.fixture(scope="module")
def authority(tmp_path_factory):
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def provider(authority):
    with Provider(authority.certificate("provider", "DNS:localhost")).open() as provider:
        yield provider


@pytest.fixture(scope="module")
def room(provider, authority, tmp_path_factory):
    """The service, with one administrator, who has chosen no password."""
    env = {
        "ULLAGE_OPENID_ISSUER": provider.issuer,
        "ULLAGE_OPENID_CLIENT_ID": CLIENT,
        "ULLAGE_OPENID_CLIENT_SECRET": SECRET,
        "ULLAGE_OPENID_LABEL": "the opera",
        "ULLAGE_DELIVER_TRUST": str(authority.file),
    }
    watch = Watch(passable_folder(tmp_path_factory, "openid"), None, env)
    watch.start()
    watch.say("people", "add", "Ida Quill", "--role", "administrator")
    provider.client = Client(f"{watch.address}/enter/openid/back")
    yield watch
    watch.stop()


@pytest.fixture(autouse=True)
def as_it_should_be(provider):
    """Each check begins with a provider that does nothing wrong, and with Ida before it."""
    provider.who, provider.told_elsewhere, provider.elsewhere_is, provider.spoiled = IDA, False, None, None
    if provider.alg != "RS256":
        provider.turn("RS256")


class Stays(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_):
        return None


class Browser:
    """Keeps cookies, and follows a redirect only when it is told to."""

    def __init__(self, authority):
        self.jar = CookieJar()
        context = ssl.create_default_context(cafile=str(authority.file))
        self.opener = urllib.request.build_opener(
            Stays, urllib.request.HTTPCookieProcessor(self.jar), urllib.request.HTTPSHandler(context=context)
        )

    def get(self, url):
        """(status, where it leads, text)"""
        try:
            answer = self.opener.open(url, timeout=30)
        except urllib.error.HTTPError as told:
            answer = told
        with answer:
            text = html.unescape(re.sub(r"<[^>]*>", " ", answer.read().decode()))
            return answer.status, answer.headers.get("location"), " ".join(text.split())

    def cookies(self):
        return {cookie.name for cookie in self.jar}

    def out(self, room, then="/machines"):
        """Where the provider sends the browser back to."""
        door = self.opener.open(f"{room.address}/enter?{urllib.parse.urlencode({'then': then})}", timeout=30)
        way = html.unescape(re.search(r'class="go" href="([^"]+)"', door.read().decode()).group(1))
        status, there, _ = self.get(way)
        assert status == 303
        status, back, _ = self.get(there)
        assert status == 302, there
        return back


@pytest.fixture
def browser(authority):
    return Browser(authority)


def is_in(browser, room):
    status, _, text = browser.get(f"{room.address}/machines")
    return status == 200 and "Ida Quill" in text


@pytest.mark.parametrize("alg", ["RS256", "PS256", "ES256", "Ed25519"])
def test_somebody_comes_in_however_the_provider_signs(room, provider, browser, alg):
    # A new key each time: the provider is asked for its keys again when one is not known.
    provider.turn(alg)
    door = browser.get(f"{room.address}/enter")[2]
    assert "come in by the opera" in door
    assert not is_in(browser, room)
    back = browser.out(room, "/machines?find=bobbin")
    assert back.startswith(f"{room.address}/enter/openid/back?")
    assert browser.cookies() == {"ullage_ticket"}
    assert browser.get(back)[:2] == (303, "/machines?find=bobbin")
    assert browser.cookies() == {"ullage_visit"}
    assert is_in(browser, room)
    # The record is by the name, and of the binding alone.
    rows = room.rows("select who, subject, key from change where subject = 'person_identity'")
    assert rows == [
        {"who": "Ida Quill, by OpenID Connect", "subject": "person_identity", "key": f"{provider.issuer} {IDA['sub']}"}
    ]


def test_it_is_asked_what_it_says_of_itself_once(room, provider, authority):
    before = provider.asked["/.well-known/openid-configuration"]
    for _ in range(2):
        browser = Browser(authority)
        assert browser.get(browser.out(room))[0] == 303
    assert provider.asked["/.well-known/openid-configuration"] == before


def test_a_name_that_is_told_elsewhere_is_asked_for(room, provider, browser):
    provider.told_elsewhere = True
    before = provider.asked.get("/userinfo", 0)
    assert browser.get(browser.out(room))[0] == 303
    assert provider.asked["/userinfo"] == before + 1
    assert is_in(browser, room)


def test_what_is_told_elsewhere_has_to_be_of_the_same(room, provider, browser):
    provider.told_elsewhere, provider.elsewhere_is = True, {**IDA, "sub": "somebody else"}
    refused(browser, room, browser.out(room), "the provider says different things of you")


def refused(browser, room, back, sentence):
    status, _, text = browser.get(back)
    assert (status, sentence in text) == (403, True), text
    assert "ullage_visit" not in browser.cookies()
    assert not is_in(browser, room)


def setting(**claims):
    return lambda of: of.update(claims)


NOW = time.time()
TOKENS = {
    "another nonce": (dict(change=setting(nonce="n-0S6_WzA2Mj")), "made for another sign-in"),
    "no nonce": (dict(change=lambda of: of.pop("nonce")), "made for another sign-in"),
    "for another program": (dict(change=setting(aud="sheet")), "made for another program"),
    "for several, and handed to another": (
        dict(change=setting(aud=[CLIENT, "sheet"], azp="sheet")),
        "made for another program",
    ),
    "for several, and handed to nobody": (dict(change=setting(aud=[CLIENT, "sheet"])), "made for another program"),
    "over": (dict(change=setting(exp=int(NOW) - 120)), "its time is over"),
    "old": (dict(change=setting(iat=int(NOW) - 7200)), "its time is over"),
    "of the future": (dict(change=setting(nbf=int(NOW) + 7200)), "its time has not begun"),
    "of another provider": (dict(change=setting(iss="https://elsewhere.example")), "comes from another provider"),
    "of nobody": (dict(change=lambda of: of.pop("sub")), "does not say of whom"),
    "not signed": (dict(way="none"), "not signed in a way that is trusted"),
    "signed with what is public": (dict(way="HS256"), "not signed in a way that is trusted"),
}


@pytest.mark.parametrize("what", TOKENS)
def test_a_token_that_is_not_as_it_has_to_be_is_refused(room, provider, browser, what):
    spoiling, sentence = TOKENS[what]
    provider.spoil(**spoiling)
    refused(browser, room, browser.out(room), sentence)


def test_a_token_by_another_key_is_refused(room, provider, browser):
    provider.turn("RS256")
    other = new_key("RS256")
    provider.spoil(key=other)
    # It goes by the name of the provider's key, and its signature does not fit.
    refused(browser, room, browser.out(room), "its signature does not fit")


def test_a_token_by_a_key_that_the_provider_does_not_have_is_refused(room, provider, browser):
    provider.turn("RS256")
    back = browser.out(room)
    shown, provider.at_keys = provider.at_keys, lambda _: (200, {"keys": []}, {})
    try:
        refused(browser, room, back, "signed by a key that is not the provider's")
    finally:
        provider.at_keys = shown


def changed(back, **other):
    parts = urllib.parse.urlsplit(back)
    fields = {**dict(urllib.parse.parse_qsl(parts.query)), **other}
    fields = {name: value for name, value in fields.items() if value is not None}
    return parts._replace(query=urllib.parse.urlencode(fields)).geturl()


def test_the_way_back_is_for_the_browser_that_went_out_and_once(room, browser, authority):
    back = browser.out(room)
    refused(browser, room, changed(back, state="x" * 43), "begin again")
    refused(browser, room, changed(back, state=None), "begin again")
    refused(Browser(authority), room, back, "begin again")
    other = Browser(authority)
    other.out(room)
    refused(other, room, back, "begin again")
    # None of that has spoiled it for whom it is; and once it is used it is used, with the same cookie too.
    ticket = next(cookie for cookie in browser.jar)
    assert browser.get(back)[0] == 303
    again = Browser(authority)
    again.jar.set_cookie(ticket)
    refused(again, room, back, "begin again")


def test_a_code_is_redeemed_once_and_by_whom_it_was_given_to(room, browser, authority):
    code = dict(urllib.parse.parse_qsl(urllib.parse.urlsplit(browser.out(room)).query))["code"]
    # Another's code in a way back of one's own: its verifier is another (RFC 7636).
    other = Browser(authority)
    refused(other, room, changed(other.out(room), code=code), "and says invalid_grant")
    used = Browser(authority)
    back = used.out(room)
    assert used.get(back)[0] == 303
    code = dict(urllib.parse.parse_qsl(urllib.parse.urlsplit(back).query))["code"]
    replaying = Browser(authority)
    refused(replaying, room, changed(replaying.out(room), code=code), "and says invalid_grant")


def test_what_the_provider_refuses_is_told(room, browser):
    back = changed(browser.out(room), code=None, error="access_denied")
    refused(browser, room, back, "did not let you in, and says access_denied")


def test_another_provider_does_not_answer_for_this_one(room, browser):
    refused(browser, room, changed(browser.out(room), iss="https://elsewhere.example"), "comes from another provider")


def test_nobody_is_led_elsewhere(room, browser):
    assert browser.get(browser.out(room, "https://elsewhere.example/"))[:2] == (303, "/")


def test_whoever_is_not_known_stays_out_and_a_name_that_changed_hands_opens_nothing(room, provider, browser, authority):
    provider.who = {"sub": "7", "preferred_username": "Eve"}
    refused(browser, room, browser.out(room), "says that you are “Eve”, and nobody of that name comes in here")
    provider.who = {"sub": "7", "preferred_username": "Ida Quill"}
    other = Browser(authority)
    refused(other, room, other.out(room), "somebody else of its people comes in under that name")


def test_a_provider_that_is_away_is_told_and_others_come_in_on(room, provider, browser):
    back = browser.out(room)
    shown, provider.at_token = provider.at_token, lambda _: (503, {}, {})
    try:
        status, _, text = browser.get(back)
        assert (status, "The provider could not be asked" in text) == (502, True), text
    finally:
        provider.at_token = shown
    assert browser.get(f"{room.address}/enter")[0] == 200
    assert "503" in (room.folder / "log").read_text()


def test_the_settings_are_checked_against_the_provider(room, provider):
    said = room.say("check")
    assert f"or by {provider.issuer}, which answers" in said
