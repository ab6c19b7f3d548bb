// What a person does about alerts, without scripts: sees one, puts it off, tries a rule on the past, makes a feed.

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { assertNone, openWindow } from "./browser.mjs";

/** Defines the journeys. */
export function checkAlerts(world) {
  const journey = (name, walk) =>
    test(name, async () => {
      const { page, complaints, close } = await openWindow(world.browser, world.address, { javaScriptEnabled: false });
      try {
        await page.goto("/alerts");
        await walk(page);
        // The browser itself writes a line for a refused form.
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

  describe("about alerts, a person", () => {
    journey("silences one: marks it as seen, and puts it off", async (page) => {
      const link = page.locator('section[aria-labelledby="open"] .headline a').first();
      const summary = await link.innerText();
      const href = await link.getAttribute("href");
      await link.click();
      assert.equal(await page.locator("h1").innerText(), summary);
      const seen = page.locator('form[action$="/seen"]');
      await seen.getByRole("button").click();
      assert.match(await page.locator('form[action$="/seen"] .wrong').innerText(), /Fill this in/);
      await page.locator('form[action$="/seen"]').getByLabel("Who").fill("Ada");
      await page.locator('form[action$="/seen"]').getByLabel("Note").fill("being looked at");
      await page.locator('form[action$="/seen"]').getByRole("button").click();
      assert.match(await page.getByRole("status").innerText(), /Written down/);
      assert.match(await page.locator("main").innerText(), /Seen by Ada[^]*being looked at/);
      await page.getByText("Put it off", { exact: true }).first().click();
      const snooze = page.locator('form[action$="/snooze"]');
      await snooze.getByLabel("Who").fill("Ada");
      await snooze.getByLabel("Tell again after").selectOption("week");
      await snooze.getByRole("button").click();
      assert.match(await page.locator("main").innerText(), /Put off until then/);
      await page.goto("/alerts");
      const row = page.locator("li.alert", { has: page.locator(`a[href="${href}"]`) }).first();
      assert.match(await row.innerText(), /seen by Ada, put off until/);
    });

    journey("tries a rule on the past, keeps it, and takes it back", async (page) => {
      await page.getByRole("link", { name: "Rules" }).click();
      await page.getByRole("link", { name: "Supply low" }).click();
      await page.getByLabel("Opens at").fill("40");
      await page.getByLabel("Clears past").fill("45");
      await page.getByRole("button", { name: "Try it on the past" }).click();
      const preview = page.locator('section[aria-labelledby="preview"]');
      assert.match(await preview.locator("h2").innerText(), /would have told you (\w+|\d+) times, everywhere/);
      const listed = await preview.locator("li a").first().getAttribute("href");
      assert.match(listed, /^\/machines\/\d+#supply-\d+$/);
      assert.equal(await page.getByLabel("Opens at").inputValue(), "40");
      await page.getByRole("button", { name: "Keep it" }).click();
      assert.match(await page.locator(".wrong .error").innerText(), /Fill this in/);
      await page.getByLabel("Who").fill("Ada");
      await page.getByRole("button", { name: "Keep it" }).click();
      assert.match(await page.getByRole("status").innerText(), /The rule is changed/);
      assert.match(await page.locator("main").innerText(), /Opens at 40\s%\sleft/);
      await page.getByText("Take a change back").click();
      await page.getByRole("button", { name: "Take it back" }).click();
      assert.match(await page.getByRole("status").innerText(), /taken back/);
      assert.match(await page.locator(".lede").innerText(), /Opens at 10\s%\sleft/);
    });

    journey("makes the addresses of the feeds, and sees them once", async (page) => {
      await page.getByRole("link", { name: "Calendar and feed" }).click();
      await page.getByRole("button", { name: "Make them" }).click();
      const address = await page.locator('a[href$="/tasks.ics"]').innerText();
      const path = new URL(address).pathname;
      const answer = await page.request.get(path);
      assert.equal(answer.status(), 200);
      assert.match(await answer.text(), /^BEGIN:VCALENDAR\r\n[^]*BEGIN:VTODO/);
      await page.goto("/alerts/feeds");
      assert.equal(await page.locator('a[href$=".ics"]').count(), 0);
      await page.getByText("Let no address lead to them any more").click();
      await page.getByRole("button", { name: "Stop the feeds" }).click();
      assert.equal((await page.request.get(path)).status(), 404);
    });
  });
}
