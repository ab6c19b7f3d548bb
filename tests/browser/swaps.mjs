// A swap by the guide on a phone, without scripts: what the machine does not confirm is left out with a reason.

import assert from "node:assert/strict";
import { describe, test } from "node:test";

import { assertNone, axeFindings, openWindow } from "./browser.mjs";

const PHONE = { width: 360, height: 740 };

/** Begins a swap at the first machine that rests. */
async function begin(page, machines) {
  for (const machine of machines) {
    await page.goto(`${machine}/supplies/1/swap`);
    assert.match(await page.locator("main").innerText(), /Never just pull/);
    const lots = await page.getByLabel(/The new cartridge is/).locator("option").allInnerTexts();
    if (!lots[0].includes("take this one")) continue;
    await page.getByLabel("Who").fill("Ada");
    await page.getByRole("button", { name: "Begin" }).click();
    if (/\/swaps\/\d+$/.test(page.url())) return;
    assert.match(await page.locator("main").innerText(), /printing|could not be asked/);
  }
  assert.fail("no machine rests");
}

/** Defines the walk. */
export function checkSwaps(world) {
  describe("at the machine, with a phone, a person", () => {
    test("swaps a cartridge one step at a time, and finds it in the record", async () => {
      const options = { javaScriptEnabled: false, viewport: PHONE };
      const { page, complaints, close } = await openWindow(world.browser, world.address, options);
      try {
        const machines = Object.entries(world.pages).filter(([name]) => /^machine-\d+$/.test(name));
        await begin(page, machines.map(([, path]) => path));
        const address = page.url();
        let refused = 0;
        for (let step = 0; step < 30 && (await page.getByRole("button", { name: /^Done/ }).count()) > 0; step += 1) {
          assert.equal(await page.evaluate(() => document.documentElement.scrollWidth <= innerWidth), true);
          await page.getByRole("button", { name: /^Done/ }).click();
          if ((await page.getByRole("alert").count()) === 0) continue;
          // Nobody opens the doors of a simulated machine: it says so, and the step is left out with a reason.
          refused += 1;
          assert.match(await page.getByRole("alert").innerText(), /Not confirmed yet: the machine/);
          await page.getByText("Leave this step out", { exact: true }).click();
          const skip = page.locator('form[action$="/skip"]');
          await skip.getByRole("button").click();
          assert.match(await skip.locator(".error").innerText(), /Fill this in/);
          await skip.getByLabel("Why").fill("nobody stands at a simulated machine");
          await skip.getByRole("button").click();
        }
        assert.ok(refused >= 2, `only ${refused} steps waited for the machine`);
        await page.getByRole("button", { name: "End" }).click();
        assert.equal(page.url(), address);
        const record = await page.locator("main").innerText();
        assert.match(record, /left out: nobody stands at a simulated machine/);
        assert.match(record, /made \d/);
        await page.getByText("Keep a picture", { exact: true }).click();
        const png = Buffer.from("89504e470d0a1a0a0000000d49484452000000010000000108060000001f15c4890000000d49444154789c63606060f80f00010401005fe5c34b0000000049454e44ae426082", "hex");
        await page.locator("#photo-file").setInputFiles({ name: "old.svg", mimeType: "image/svg+xml", buffer: png });
        await page.getByRole("button", { name: "Keep it" }).click();
        const shown = await page.request.get(`${address}/photo`);
        assert.equal(shown.headers()["content-type"], "image/png");
        assert.equal(shown.headers()["x-content-type-options"], "nosniff");
        await page.goto("/swaps?find=Ada");
        const row = page.locator("tbody tr", { has: page.locator(`a[href="${new URL(address).pathname}"]`) });
        assert.match(await row.innerText(), /swapped, (two|three|four|five) steps left out; with a picture/);
        // The browser itself writes a line for a refused form.
        assertNone(complaints.filter((line) => !line.includes("422")), "the browser complains");
      } finally {
        await close();
      }
    });

    test("sees a step that is sound", async () => {
      const { page, close } = await openWindow(world.browser, world.address, { viewport: PHONE });
      try {
        await page.goto(`${world.pages["machine-2"]}/heads/1/swap`);
        await page.getByLabel("Who").fill("Ada");
        await page.getByRole("button", { name: "Begin" }).click();
        // A machine that prints refuses; that page is looked at too.
        assertNone(await axeFindings(page), "axe-core finds");
        if (/\/swaps\/\d+$/.test(page.url())) {
          await page.getByText("Give the swap up", { exact: true }).click();
          await page.locator('form[action$="/give-up"]').getByLabel("Why").fill("only looking");
          await page.getByRole("button", { name: "Give it up" }).click();
          assert.match(await page.locator("main").innerText(), /given up: only looking/);
        }
      } finally {
        await close();
      }
    });
  });
}
