// What a person does: by keyboard, by mouse, on the way from a task to a machine and to the month's file.

import assert from "node:assert/strict";
import { readFileSync } from "node:fs";
import { describe, test } from "node:test";

import { assertNone, openWindow } from "./browser.mjs";

/** Defines the journeys. */
export function checkJourneys(world) {
  const journey = (name, walk) =>
    test(name, async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.address);
      try {
        await page.goto("/");
        await walk(page);
        assertNone(complaints, "the browser complains");
      } finally {
        await close();
      }
    });

  describe("a person", () => {
    journey("goes from a task to its machine and back", async (page) => {
      const link = page.locator('main a[href^="/machines/"]').first();
      const task = await link.innerText();
      await link.click();
      await page.waitForURL(/\/machines\/\d+/);
      const machine = await page.locator("main h1").innerText();
      assert.ok(task.includes(machine), `“${task}” leads to ${machine}`);
      await page.goBack();
      assert.equal(new URL(page.url()).pathname, "/");
    });

    journey("sees the trend of a machine as a picture with a text", async (page) => {
      await page.goto(world.pages["machine-1"]);
      const charts = page.locator('main svg[role="img"]');
      assert.ok((await charts.count()) > 0, "there is no chart");
      for (const chart of await charts.all()) {
        const { title, box } = await chart.evaluate((svg) => ({
          title: svg.querySelector("title")?.textContent.trim() || svg.getAttribute("aria-label"),
          box: svg.getBoundingClientRect().toJSON(),
        }));
        assert.ok(title, "a chart has neither title nor label");
        assert.ok(box.width > 100 && box.height > 20, `a chart of ${box.width} by ${box.height} px`);
      }
    });

    journey("takes the month's file along", async (page) => {
      await page.goto(world.pages.month);
      const link = page.locator('a[href$=".csv"]').first();
      const [download] = await Promise.all([page.waitForEvent("download"), link.click()]);
      assert.match(download.suggestedFilename(), /\d{4}-\d{2}.*\.csv$/);
      const text = readFileSync(await download.path(), "utf8");
      const [head, ...rows] = text.trim().split("\r\n");
      assert.ok(head.split(",").length > 3, `a heading line of the file: ${head}`);
      assert.ok(rows.length > 0, "the file has no row");
      const shown = await page.locator("main").innerText();
      const machine = rows.map((row) => row.split(",")).flat().find((cell) => /^[A-Z][a-z]+$/.test(cell));
      assert.ok(machine && shown.includes(machine), `the page does not show ${machine}, which the file names`);
    });

    journey("reaches every link of the navigation by keyboard, and sees where they are", async (page) => {
      const wanted = await page.$$eval("nav a[href]", (links) => links.map((link) => link.getAttribute("href")));
      assert.ok(wanted.length >= 3, `the navigation has ${wanted.length} links`);
      const reached = new Set();
      for (let presses = 0; presses < 200 && !wanted.every((href) => reached.has(href)); presses += 1) {
        await page.keyboard.press("Tab");
        const focus = await page.evaluate(() => {
          const element = document.activeElement;
          if (!element || element === document.body) return null;
          const style = getComputedStyle(element);
          const outlined = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0;
          return { href: element.getAttribute("href"), seen: outlined || style.boxShadow !== "none" };
        });
        if (focus === null) continue;
        assert.ok(focus.seen, `the focus on ${focus.href} cannot be seen`);
        reached.add(focus.href);
      }
      assert.deepEqual(wanted.filter((href) => !reached.has(href)), [], "not reached with the Tab key");
    });

    journey("opens a page of the navigation with the Enter key", async (page) => {
      await page.locator('nav a[href="/machines"]').first().focus();
      await page.keyboard.press("Enter");
      await page.waitForURL(/\/machines$/);
    });

    test("books what moves on the shelf, without scripts", async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.address, { javaScriptEnabled: false });
      try {
        await page.goto(world.pages.part);
        await page.getByText("Receive", { exact: true }).click();
        const form = page.locator('form[action$="/receive"]');
        await form.getByLabel("Units").fill("2");
        await form.getByLabel("Made on").fill("March");
        await form.getByLabel("Place").fill("Window sill");
        await form.getByLabel("Who").fill("print room");
        await form.getByRole("button").click();
        // What is wrong stands beside its field, and the rest is kept.
        assert.match(await form.locator(".wrong").innerText(), /Write it as 2025-03-14/);
        assert.equal(await form.getByLabel("Place").inputValue(), "Window sill");
        await form.getByLabel("Made on").fill("2026-03");
        await form.getByRole("button").click();
        assert.match(page.url(), /\?booked=\d+$/);
        assert.match(await page.getByRole("status").innerText(), /2 units received, made 1 Mar 2026, Window sill/);
        const issue = page.locator('form[action$="/issue"]');
        await issue.getByLabel("Who").fill("print room");
        await issue.getByRole("button").click();
        assert.match(await page.getByRole("status").innerText(), /1 unit issued/);
        await page.goto("/shelf/count");
        await page.getByLabel("Made 1 Mar 2026, Window sill").fill("1");
        await page.getByLabel("Who").fill("print room");
        await page.getByRole("button").click();
        assert.match(await page.getByRole("status").innerText(), /One lot is booked/);
        await page.goto(world.pages.part);
        assert.match(await page.locator(".movements").innerText(), /counted, 1 fewer than booked/);
        // The browser itself writes a line for the refused form.
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

    test("orders a part, receives it, and finds it on the shelf and in a machine, without scripts", async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.address, { javaScriptEnabled: false });
      const part = "VO-TR-775";
      const onShelf = async () => {
        await page.goto(`/shelf/parts/${part}`);
        return Number.parseInt(await page.getByRole("heading", { name: / on the shelf$/ }).innerText(), 10);
      };
      try {
        const before = await onShelf();
        await page.goto("/orders");
        await page.locator("summary", { hasText: "Put a part on an order" }).click();
        const draft = page.locator('form[action="/orders"]').filter({ has: page.getByLabel("Part") });
        await draft.getByLabel("Part").selectOption(part);
        await draft.getByLabel("Who").fill("print room");
        await draft.getByRole("button").click();
        // Without a number of units nothing is ordered, and what was chosen stays.
        assert.match(await draft.locator(".wrong").innerText(), /Write a whole number/);
        assert.equal(await draft.getByLabel("Part").inputValue(), part);
        await draft.getByLabel("Units").fill("2");
        await draft.getByRole("button").click();
        const order = new URL(page.url()).pathname;
        assert.match(order, /^\/orders\/\d+$/);
        assert.match(await page.locator(".sheet-lines").innerText(), new RegExp(part));
        const send = page.locator('form[action$="/send"]');
        await send.getByLabel("Who").fill("print room");
        await send.getByRole("button").click();
        assert.equal(new URL(page.url()).pathname, order);
        assert.match(await page.locator(".standfirst").innerText(), /^Sent.*expected/);
        assert.equal(await onShelf(), before, "what is on order is not on the shelf");
        await page.goto(order);
        const receive = page.locator('form[action$="/receive"]');
        const line = receive.getByRole("group", { name: new RegExp(part) });
        await line.getByLabel("Units that came").fill("2");
        await line.getByLabel("Made on").fill("2026-03");
        await line.getByLabel("Place").fill("Textile room");
        await receive.getByLabel("Who").fill("print room");
        await receive.getByRole("button").click();
        assert.match(await page.locator(".standfirst").innerText(), /^(Partly r|R)eceived/);
        assert.equal(await onShelf(), before + 2);
        assert.match(await page.locator(".movements").innerText(), /2 units received.*order \d+/s);
        const issue = page.locator('form[action$="/issue"]');
        assert.match(await issue.getByLabel("To").innerText(), /Weft, Red/);
        await issue.getByLabel("Who").fill("print room");
        await issue.getByLabel("Why").fill("swap");
        await issue.getByRole("button").click();
        assert.match(await page.getByRole("status").innerText(), /1 unit issued/);
        assert.equal(await onShelf(), before + 1);
        assert.match(await page.locator(".movements").innerText(), /1 unit issued.*Weft, Red/s);
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

    test("changes what the catalogue says of a part, without scripts", async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.address, { javaScriptEnabled: false });
      try {
        await page.goto("/shelf/parts/VO-TY-775");
        await page.getByRole("link", { name: "Change what is written here" }).click();
        await page.getByLabel("Price of one").fill("cheap");
        await page.getByLabel("Days to arrive").fill("11");
        await page.getByRole("button").click();
        assert.match(await page.locator(".field.wrong").innerText(), /no amount with a currency's code/);
        assert.equal(await page.getByLabel("Days to arrive").inputValue(), "11");
        await page.getByLabel("Price of one").fill("201.50 EUR");
        await page.getByRole("button").click();
        assert.match(await page.getByRole("status").innerText(), /written in the catalogue/);
        const facts = await page.locator(".facts").last().innerText();
        assert.ok(facts.includes("201.50 EUR") && facts.includes("11 days"), facts);
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

    test("who asks for a page that is not there is told so and led back", async () => {
      const { page, close } = await openWindow(world.browser, world.address);
      for (const path of ["/machines/999999", "/shelf/parts/none", "/machines/x", "/months/2026-13", "/nowhere"]) {
        const response = await page.goto(path);
        assert.ok([400, 404].includes(response.status()), `${path}: ${response.status()}`);
        assert.match(response.headers()["content-type"], /^text\/html/, path);
        assert.ok((await page.locator('a[href="/"]').count()) > 0, `${path} leads nowhere`);
      }
      await close();
    });
  });
}
