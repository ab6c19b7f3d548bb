"""The service itself, watching net-snmp's agent, on a database of its own."""

import contextlib
import json
import os
import re
import signal
import subprocess
import urllib.parse
import urllib.request

import agents
from harness import program, run, wait_for

PATIENCE_S = 180


class Watch:
    """`ullage serve` on a database of its own; killed and started again as a test wants it."""

    def __init__(self, folder, printer_port, env):
        self.folder, self.printer_port, self.process, self.count = folder, printer_port, None, 0
        self.env = {**os.environ, "TZ": "Europe/Lisbon", **env}

    def command(self, *words):
        return [program("ullage"), "--data-dir", str(self.folder / "data"), *words]

    def start(self):
        said = self.folder / f"said-{self.count}"
        self.count += 1
        with said.open("w") as out, (self.folder / "log").open("a") as log:
            self.process = subprocess.Popen(
                self.command("serve", "--listen", "127.0.0.1:0"),
                stdin=subprocess.DEVNULL, stdout=out, stderr=log, env=self.env,
            )  # fmt: skip
        address = lambda: re.search(r"http://127\.0\.0\.1:\d+", said.read_text())  # noqa: E731
        self.address = wait_for("the service says where it is", address, self.process, 60).group(0)

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)

    def stop(self):
        if self.process and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(30)

    def say(self, *words):
        done = run(self.command(*words), env=self.env)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def rows(self, query):
        wrapped = f"select coalesce(json_agg(rows), '[]') from ({query}) as rows"
        return json.loads(self.say("db", "shell", "--", "-XAtc", wrapped))

    def post(self, path, **fields):
        request = urllib.request.Request(
            self.address + path, urllib.parse.urlencode(fields).encode(), headers={"origin": self.address}
        )
        with urllib.request.urlopen(request, timeout=30) as response:
            assert response.status == 200

    def page(self, path):
        with urllib.request.urlopen(self.address + path, timeout=30) as response:
            return response.read().decode()

    @contextlib.contextmanager
    def told(self, channel, address):
        """Somebody who is told of order points while the block runs; the printer is new each time."""
        name = f"{channel} {self.count} {len(self.rows('select id from recipient'))}"
        fields = {"least": "other", "rule": "waste_order_point", "device": "", "after": "0", "days": ""}
        self.post("/alerts/told/add", name=name, channel=channel, address=address, **fields)
        self.say("devices", "add", f"127.0.0.1:{self.printer_port}", "--name", name, "--snmp", "v2c",
                 "--community", agents.COMMUNITY)  # fmt: skip
        try:
            yield name
        finally:
            row = self.rows(f"select id from recipient where name = '{name}' and removed_at is null")[0]
            self.post("/alerts/told/remove", recipient=row["id"])
            self.say("devices", "remove", name)

    def messages(self, name):
        return self.rows(
            "select message.key, attempts, fault, sent_at, given_up_at from message "
            f"join recipient on recipient.id = recipient_id where name = '{name}'"
        )

    def all_sent(self, name, count):
        def done():
            messages = self.messages(name)
            return messages if len(messages) == count and all(it["sent_at"] for it in messages) else None

        return wait_for(f"{count} messages are handed over", done, patience_s=PATIENCE_S)
