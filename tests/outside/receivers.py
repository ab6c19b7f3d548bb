"""A mail server and a web server that take what Ullage sends, and misbehave as they are told.

The mail server is aiosmtpd, the web server Python's own. Both are bound from the beginning and listen only once
`open` is called: until then connections are refused, as those to a server that is down.
"""

import asyncio
import contextlib
import email
import email.policy
import http.server
import queue
import socket
import ssl
import subprocess
import threading

from aiosmtpd.smtp import SMTP, AuthResult

LOOPBACK = "127.0.0.1"
USER, PASSWORD = b"loft", b"velvet curtain"


class Plan:
    """What is done with the next arrivals, one step each; they are taken as they should be when it is empty."""

    def __init__(self):
        self.steps, self.came = queue.SimpleQueue(), []

    def then(self, *steps):
        for step in steps:
            self.steps.put(step)

    def next(self):
        with contextlib.suppress(queue.Empty):
            return self.steps.get_nowait()
        return "take"


class MailServer(Plan):
    """`came` holds every message whose last line arrived, whatever became of it then, as (step, message)."""

    def __init__(self, certificate=None, security="none", login=False):
        super().__init__()
        self.socket = socket.socket()
        self.socket.bind((LOOPBACK, 0))
        self.port = self.socket.getsockname()[1]
        self.certificate, self.security, self.login = certificate, security, login
        self.refused = 0
        self.slow = None
        self.on_kill = lambda: None

    @contextlib.contextmanager
    def open(self):
        loop = asyncio.new_event_loop()
        thread = threading.Thread(target=loop.run_forever)
        thread.start()
        tls = server_context(self.certificate) if self.certificate else None

        def protocol():
            return SMTP(
                self,
                hostname="mail.loft.example",
                loop=loop,
                tls_context=tls if self.security == "starttls" else None,
                require_starttls=self.security == "starttls",
                authenticator=self.authenticate,
                auth_required=self.login,
                auth_require_tls=self.security == "starttls",
            )

        async def serve():
            self.slow = asyncio.Event()
            return await loop.create_server(protocol, sock=self.socket, ssl=tls if self.security == "tls" else None)

        server = asyncio.run_coroutine_threadsafe(serve(), loop).result(10)
        try:
            yield self
        finally:

            async def stop():
                self.slow.set()
                server.close()
                others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
                for task in others:
                    task.cancel()
                await asyncio.gather(*others, return_exceptions=True)

            asyncio.run_coroutine_threadsafe(stop(), loop).result(10)
            loop.call_soon_threadsafe(loop.stop)
            thread.join(10)
            loop.close()

    def authenticate(self, _server, _session, _envelope, _mechanism, data):
        fits = (data.login, data.password) == (USER, PASSWORD)
        self.refused += not fits
        # Not handled: the server is to answer 535 itself.
        return AuthResult(success=fits, handled=False)

    async def handle_DATA(self, server, _session, envelope):
        message = email.message_from_bytes(envelope.content, policy=email.policy.default)
        step = self.next()
        self.came.append((step, message))
        if step == "cut":
            server.transport.abort()
        elif step == "slow":
            await self.slow.wait()
        elif step == "kill":
            self.on_kill()
        return {"later": "451 not now", "never": "554 5.7.1 no such thing here"}.get(step, "250 taken")


class WebServer(Plan):
    """`came` holds every request whose body arrived, as (step, headers, body)."""

    def __init__(self, certificate=None):
        super().__init__()
        self.slow = threading.Event()
        self.on_kill = lambda: None
        outer = self

        class Handler(http.server.BaseHTTPRequestHandler):
            def do_POST(self):
                outer.answer(self)

            def log_message(self, *_):
                pass

        self.server = http.server.ThreadingHTTPServer((LOOPBACK, 0), Handler, bind_and_activate=False)
        self.server.daemon_threads = True
        # A client that does not trust us, or that is killed, is what these checks are about.
        self.server.handle_error = lambda *_: None
        self.server.server_bind()
        self.scheme = "https" if certificate else "http"
        if certificate:
            context = server_context(certificate)
            self.server.socket = context.wrap_socket(self.server.socket, server_side=True)

    @property
    def url(self):
        return f"{self.scheme}://{LOOPBACK}:{self.server.server_address[1]}/alerts?room=loft"

    @contextlib.contextmanager
    def open(self):
        self.server.server_activate()
        thread = threading.Thread(target=self.server.serve_forever, kwargs={"poll_interval": 0.05})
        thread.start()
        try:
            yield self
        finally:
            self.slow.set()
            self.server.shutdown()
            thread.join(10)
            self.server.server_close()

    def answer(self, handler):
        body = handler.rfile.read(int(handler.headers["content-length"]))
        step = self.next()
        self.came.append((step, dict(handler.headers.items()), body))
        handler.close_connection = True
        if step == "cut":
            handler.connection.shutdown(socket.SHUT_RDWR)
            return
        if step == "slow":
            self.slow.wait(60)
        elif step == "kill":
            self.on_kill()
        with contextlib.suppress(OSError):
            handler.send_response(step if isinstance(step, int) else 204)
            if step == 302:
                handler.send_header("location", self.url)
            handler.end_headers()


def server_context(certificate):
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)
    return context


class Authority:
    """A certificate authority for this run, made by openssl: what it signs is trusted where its file is given."""

    def __init__(self, folder):
        self.folder, self.file = folder, folder / "authority.pem"
        self.openssl("req", "-x509", *self.key("authority"), "-subj", "/CN=Vellmoor test authority", "-days", "2",
                     "-out", self.file, "-addext", "basicConstraints=critical,CA:TRUE")  # fmt: skip

    def openssl(self, *words):
        subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True, timeout=60)

    def key(self, name):
        return ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                "-keyout", self.folder / f"{name}.key"]  # fmt: skip

    def certificate(self, name, names):
        """(certificate, key) for a server that is called so."""
        request, extension, signed = (self.folder / f"{name}.{end}" for end in ("csr", "ext", "pem"))
        extension.write_text(f"subjectAltName={names}\n")
        self.openssl("req", *self.key(name), "-subj", f"/CN={name}", "-out", request)
        self.openssl("x509", "-req", "-in", request, "-CA", self.file, "-CAkey", self.folder / "authority.key",
                     "-CAcreateserial", "-days", "2", "-extfile", extension, "-out", signed)  # fmt: skip
        return str(signed), str(self.folder / f"{name}.key")
