"""A provider of OpenID Connect on loopback, by https: the rules of RFC 6749, RFC 7636 and OpenID Connect Core are
Authlib's, the signatures joserfc's. It gives out what it should, or what it is told to spoil.
"""

import base64
import contextlib
import hashlib
import hmac
import http.server
import json
import secrets
import threading
import urllib.parse

from authlib.oauth2.rfc6749 import AuthorizationServer, ClientMixin, OAuth2Request, grants
from authlib.oauth2.rfc6749.requests import BasicOAuth2Payload
from authlib.oauth2.rfc7636 import CodeChallenge
from authlib.oidc.core.grants import OpenIDCode
from joserfc import jwt
from joserfc.jwk import ECKey, KeySet, OKPKey, RSAKey

from receivers import LOOPBACK, server_context

CLIENT, SECRET = "ullage", "velvet%curtain:1/2"


def new_key(alg):
    name = {"kid": secrets.token_hex(8), "use": "sig", "alg": alg}
    if alg in ("RS256", "PS256"):
        return RSAKey.generate_key(2048, name, private=True)
    if alg == "ES256":
        return ECKey.generate_key("P-256", name, private=True)
    return OKPKey.generate_key("Ed25519", name, private=True)


def new_token(scope, **_):
    return {"token_type": "Bearer", "expires_in": 60, "access_token": secrets.token_urlsafe(), "scope": scope}


def letters(octets):
    return base64.urlsafe_b64encode(octets).rstrip(b"=").decode()


class Client(ClientMixin):
    def __init__(self, back):
        self.back = back

    def get_client_id(self):
        return CLIENT

    def get_default_redirect_uri(self):
        return self.back

    def get_allowed_scope(self, scope):
        return scope

    def check_redirect_uri(self, redirect_uri):
        return redirect_uri == self.back

    def check_client_secret(self, client_secret):
        return secrets.compare_digest(SECRET, client_secret)

    def check_endpoint_auth_method(self, method, endpoint):
        return method in ("client_secret_basic", "client_secret_post")

    def check_response_type(self, response_type):
        return response_type == "code"

    def check_grant_type(self, grant_type):
        return grant_type == "authorization_code"


class Request(OAuth2Request):
    def __init__(self, method, uri, fields, headers):
        super().__init__(method, uri, headers=headers)
        self.fields, self.payload = fields, BasicOAuth2Payload(fields)

    @property
    def args(self):
        return self.fields

    @property
    def form(self):
        return self.fields


class Code:
    """What was granted for a code."""

    def __init__(self, request):
        data = request.payload.data
        self.redirect_uri, self.scope, self.user = data["redirect_uri"], request.scope, request.user
        self.nonce = data.get("nonce")
        self.code_challenge, self.code_challenge_method = data["code_challenge"], data["code_challenge_method"]

    def get_redirect_uri(self):
        return self.redirect_uri

    def get_scope(self):
        return self.scope

    def get_nonce(self):
        return self.nonce

    def get_auth_time(self):
        return None

    get_acr = get_amr = get_auth_time


class Provider(AuthorizationServer):
    """`who` comes in next; `spoil` is told what is done to the next ID token; `asked` counts requests by path."""

    def __init__(self, certificate):
        super().__init__()
        self.alg, self.keys, self.codes, self.tokens, self.asked = "RS256", [], {}, {}, {}
        self.who, self.told_elsewhere, self.elsewhere_is, self.spoiled, self.client = {}, False, None, None, None
        self.turn("RS256")
        self.register_token_generator("default", new_token)
        self.register_grant(self.grant(), [CodeChallenge(required=True), self.openid()])
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_GET(self):
                outer.serve(self, "")

            def do_POST(self):
                outer.serve(self, self.rfile.read(int(self.headers["content-length"])).decode())

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer((LOOPBACK, 0), Handler)
        self.server.daemon_threads = True
        self.server.socket = server_context(certificate).wrap_socket(self.server.socket, server_side=True)
        self.issuer = f"https://localhost:{self.server.server_address[1]}"

    @contextlib.contextmanager
    def open(self):
        thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        try:
            yield self
        finally:
            self.server.shutdown()
            thread.join(10)
            self.server.server_close()

    def turn(self, alg):
        """Signs by a new key from now on, and forgets the ones before."""
        self.alg, self.keys = alg, [new_key(alg)]

    def spoil(self, change=None, key=None, way=None):
        """The next ID token has other claims, is signed by another key, or in another `way` ("none", "HS256")."""
        self.spoiled = (change or (lambda claims: None), key, way)

    # What Authlib asks for.

    def query_client(self, client_id):
        return self.client if client_id == CLIENT else None

    def save_token(self, token, request):
        self.tokens[token["access_token"]] = request.user

    def create_oauth2_request(self, request):
        return request

    def handle_response(self, status, body, headers):
        return status, body, dict(headers)

    def send_signal(self, *_args, **_kwargs):
        pass

    def grant(self):
        outer = self

        class Grant(grants.AuthorizationCodeGrant):
            def save_authorization_code(self, code, request):
                outer.codes[code] = Code(request)
                outer.codes[code].code = code

            def query_authorization_code(self, code, client):
                return outer.codes.get(code)

            def delete_authorization_code(self, authorization_code):
                del outer.codes[authorization_code.code]

            def authenticate_user(self, authorization_code):
                return authorization_code.user

        return Grant

    def openid(self):
        outer = self

        class OpenId(OpenIDCode):
            def exists_nonce(self, nonce, request):
                return any(code.nonce == nonce for code in outer.codes.values())

            def resolve_client_private_key(self, client):
                return outer.keys[-1]

            def get_client_algorithm(self, client):
                return outer.alg

            def get_encode_header(self, client):
                return {"alg": outer.alg, "kid": outer.keys[-1].kid}

            def get_client_claims(self, client):
                return {"iss": outer.issuer, "aud": CLIENT}

            def generate_user_info(self, user, scope):
                return {"sub": user["sub"]} if outer.told_elsewhere else user

            def encode_id_token(self, token, request):
                return outer.spoil_token(super().encode_id_token(token, request))

        return OpenId(require_nonce=True)

    def spoil_token(self, token):
        if self.spoiled is None:
            return token
        (change, key, way), self.spoiled = self.spoiled, None
        header, claims, _ = token.split(".")
        read = lambda part: json.loads(base64.urlsafe_b64decode(part + "=="))  # noqa: E731
        header, claims = read(header), read(claims)
        change(claims)
        if way is None:
            return jwt.encode(header, claims, key or self.keys[-1], [self.alg])
        header["alg"] = way
        signed = ".".join(letters(json.dumps(part).encode()) for part in (header, claims))
        # What anybody could sign with, were it taken for a shared secret: the public key, as it is written.
        public = self.keys[-1].as_pem(private=False)
        mac = b"" if way == "none" else hmac.new(public, signed.encode(), hashlib.sha256).digest()
        return f"{signed}.{letters(mac)}"

    # What is asked of it.

    def serve(self, handler, body):
        parts = urllib.parse.urlsplit(handler.path)
        self.asked[parts.path] = self.asked.get(parts.path, 0) + 1
        fields = dict(urllib.parse.parse_qsl(body or parts.query))
        request = Request(handler.command, self.issuer + handler.path, fields, dict(handler.headers.items()))
        request.headers = {name.title(): value for name, value in request.headers.items()}
        status, body, headers = getattr(self, "at_" + parts.path.strip("/").replace("/", "_").replace("-", "_")
                                        .replace(".", ""), self.nothing)(request)  # fmt: skip
        octets = (body if isinstance(body, str) else json.dumps(body)).encode()
        with contextlib.suppress(OSError):
            handler.send_response(status)
            for name, value in {"Content-Type": "application/json", **headers}.items():
                handler.send_header(name, value)
            handler.send_header("Content-Length", str(len(octets)))
            handler.end_headers()
            handler.wfile.write(octets)

    def nothing(self, _request):
        return 404, {}, {}

    def at_well_known_openid_configuration(self, _request):
        return 200, {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize?room=loft",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "userinfo_endpoint": f"{self.issuer}/userinfo",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256", "PS256", "ES256", "Ed25519"],
            "code_challenge_methods_supported": ["S256"],
        }, {}

    def at_keys(self, _request):
        return 200, KeySet(self.keys).as_dict(private=False), {}

    def at_authorize(self, request):
        assert request.fields["code_challenge_method"] == "S256" and request.fields["room"] == "loft"
        grant = self.get_consent_grant(request, self.who)
        return self.create_authorization_response(request, self.who, grant)

    def at_token(self, request):
        return self.create_token_response(request)

    def at_userinfo(self, request):
        user = self.tokens.get(request.headers.get("Authorization", "").removeprefix("Bearer "))
        return (200, self.elsewhere_is or user, {}) if user else (401, {}, {})
