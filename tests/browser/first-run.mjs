// The first minutes with an empty store: from the page that says that there is nothing, to a machine that answers.

import assert from "node:assert/strict";
import { spawn } from "node:child_process";
import { join } from "node:path";
import { after, before, describe, test } from "node:test";

import { assertNone, axeFindings, openWindow, pictures, startBrowser } from "./browser.mjs";

const PATIENCE_MS = 60_000;
const programs = process.env.ULLAGE_PROGRAMS ?? join(import.meta.dirname, "../../target/debug");
const program = (name) => join(programs, name);

/** Starts a program in a process group of its own, and waits until it says what `found` looks for. */
async function start(name, words, found) {
  const child = spawn(program(name), words, { stdio: ["ignore", "pipe", "pipe"], detached: true });
  const ended = new Promise((resolve) => child.once("exit", resolve));
  let said = "";
  const what = await new Promise((resolve, reject) => {
    const late = setTimeout(() => reject(new Error(`${name} says nothing:\n${said}`)), PATIENCE_MS);
    const listen = (data) => {
      said += data;
      const match = said.match(found);
      if (match) {
        clearTimeout(late);
        resolve(match[1]);
      }
    };
    child.stdout.on("data", listen);
    child.stderr.on("data", listen);
    ended.then((code) => reject(new Error(`${name} ended with ${code}:\n${said}`)));
  });
  const stop = async () => {
    process.kill(-child.pid, "SIGINT");
    await ended;
  };
  return { what, stop };
}

/** Defines the walk through a first run. */
export function checkFirstRun() {
  describe("a first run", () => {
    const world = {};

    before(async () => {
      const room = await start("mock-agent", ["--days", "2"], /^Bobbin\s+(\S+)/m);
      world.room = room;
      const serve = ["db", "with", "--throwaway", "--", program("ullage"), "serve", "--listen", "127.0.0.1:0"];
      world.service = await start("ullage", serve, /(http:\/\/127\.0\.0\.1:\d+)/);
      world.browser = await startBrowser();
    });

    after(async () => {
      await world.browser?.close();
      await world.service?.stop();
      await world.room?.stop();
    });

    test("leads from nothing to a machine that answers, without scripts", async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.service.what, {
        javaScriptEnabled: false,
      });
      try {
        await page.goto("/");
        await page.getByRole("link", { name: "Add a printer by its address" }).click();
        await page.getByRole("textbox", { name: "Address" }).fill(`${world.room.what}0`);
        await page.getByRole("button", { name: "Ask it" }).click();
        // An address with a port that is none: what is wrong stands beside it, and what was typed is kept.
        assert.match(await page.locator(".wrong").innerText(), /Write it like/);
        await page.getByRole("textbox", { name: "Address" }).fill(world.room.what);
        await page.getByRole("button", { name: "Ask it" }).click();
        assert.match(await page.locator("main").innerText(), /Cyan[^\n]*: about/);
        assert.equal(await page.getByLabel("Name", { exact: true }).inputValue(), "Bobbin");
        await page.getByRole("button", { name: "Watch it" }).click();
        assert.match(await page.getByRole("status").innerText(), /watched from now on/);
        for (const deadline = performance.now() + PATIENCE_MS; performance.now() < deadline; ) {
          await page.goto("/machines");
          if (/Answered/.test(await page.locator("main").innerText())) break;
        }
        assert.match(await page.locator("main").innerText(), /Bobbin[^]*Answered/);
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

    for (const [name, path] of Object.entries({
      setup: "/setup",
      devices: "/setup/devices",
      device: "/setup/devices/1",
      credentials: "/setup/credentials",
      credential: "/setup/credentials/1",
      discover: "/setup/discover",
      import: "/setup/import",
    })) {
      test(`shows ${path} soundly at every width, light and dark`, async () => {
        for (const [width, viewport] of Object.entries({
          desk: { width: 1180, height: 820 },
          phone: { width: 360, height: 740 },
        })) {
          for (const colorScheme of ["light", "dark"]) {
            const { page, complaints, close } = await openWindow(world.browser, world.service.what, {
              viewport,
              colorScheme,
            });
            const response = await page.goto(path);
            assert.equal(response.status(), 200);
            await page.screenshot({ path: join(pictures, `setup-${name}-${width}-${colorScheme}.png`), fullPage: true });
            const scrolls = await page.evaluate(() => document.documentElement.scrollWidth > innerWidth);
            assert.ok(!scrolls, `${path} scrolls sideways at ${viewport.width} px`);
            assertNone(await axeFindings(page), "axe-core finds");
            assertNone(complaints, "the browser complains");
            await close();
          }
        }
      });
    }
  });
}
