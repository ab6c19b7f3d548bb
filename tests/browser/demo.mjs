// Starts `ullage demo` with data that are thrown away, and ends it again.

import { spawn } from "node:child_process";
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";

const PATIENCE_MS = 30_000;
const root = join(import.meta.dirname, "../..");
// Enough for a trend and a month; an unoptimised program takes its time to bring it in.
const DAYS = "40";
const program = join(process.env.ULLAGE_PROGRAMS ?? join(root, "target/debug"), "ullage");

/** Starts the demo on a free port and waits until it says where it is. */
export async function startDemo() {
  const began = performance.now();
  const child = spawn(program, ["demo", "--listen", "127.0.0.1:0", "--days", DAYS], {
    stdio: ["ignore", "pipe", "pipe"],
  });
  let said = "";
  const ended = new Promise((resolve) => child.once("exit", (code, signal) => resolve({ code, signal })));
  const address = await new Promise((resolve, reject) => {
    const late = setTimeout(() => reject(new Error(`no address after ${PATIENCE_MS} ms:\n${said}`)), PATIENCE_MS);
    const listen = (data) => {
      said += data;
      const found = said.match(/http:\/\/127\.0\.0\.1:\d+/);
      if (found) {
        clearTimeout(late);
        resolve(found[0]);
      }
    };
    child.stdout.on("data", listen);
    child.stderr.on("data", listen);
    child.once("error", reject);
    ended.then(({ code }) => reject(new Error(`the demo ended with ${code}:\n${said}`)));
  });
  const firstPageMs = await firstPage(address, began);
  return { address, firstPageMs, stop: () => stopDemo(child, ended, () => said) };
}

/** Asks for the first page and says how long after the start it came. */
async function firstPage(address, began) {
  const response = await fetch(address);
  await response.text();
  if (!response.ok) throw new Error(`the first page has status ${response.status}`);
  return performance.now() - began;
}

/** Waits until the demo's past is all there; until then its pages change under a reader's eyes. */
export async function whenComplete(address) {
  const loading = async () => /past is being brought in/i.test(await (await fetch(address)).text());
  if (!(await loading())) throw new Error("the demo does not say from the first that its past is being brought in");
  for (const deadline = performance.now() + 8 * PATIENCE_MS; performance.now() < deadline; await sleep(250)) {
    if (!(await loading())) return;
  }
  throw new Error("the demo's past does not get complete");
}

/** Sends what Ctrl-C sends; returns how it ended and which of its processes are still there. */
async function stopDemo(child, ended, said) {
  const processes = descendants(child.pid);
  child.kill("SIGINT");
  const late = setTimeout(() => child.kill("SIGKILL"), PATIENCE_MS);
  const { code, signal } = await ended;
  clearTimeout(late);
  return { code, signal, said: said(), left: processes.filter(({ pid, began }) => processStat(pid)?.began === began) };
}

/** Parent and start time of a process from Linux's /proc; undefined when it is gone. */
function processStat(pid) {
  try {
    const fields = readFileSync(`/proc/${pid}/stat`, "latin1").replace(/^.*\) /s, "").split(" ");
    return { parent: Number(fields[1]), began: fields[19] };
  } catch {
    return undefined;
  }
}

/** Every process that a process has started, directly or through others. */
function descendants(top) {
  const all = readdirSync("/proc")
    .filter((name) => /^\d+$/.test(name))
    .map((name) => ({ pid: Number(name), ...processStat(Number(name)) }));
  const found = [];
  for (let parents = [top]; parents.length > 0; ) {
    const children = all.filter(({ parent }) => parents.includes(parent));
    found.push(...children);
    parents = children.map(({ pid }) => pid);
  }
  return found;
}
