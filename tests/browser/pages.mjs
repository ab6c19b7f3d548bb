// Every page at desktop and phone width, light and dark, with and without scripts.

import assert from "node:assert/strict";
import { describe, test } from "node:test";
import { join } from "node:path";

import { assertNone, axeFindings, openWindow, pictures } from "./browser.mjs";

const WIDTHS = { desk: { width: 1180, height: 820 }, phone: { width: 360, height: 740 } };

/** The pages that the demo has, found by its own links. */
export async function findPages(browser, address) {
  const { page, close } = await openWindow(browser, address);
  const links = async (from, prefix) => {
    await page.goto(from);
    const all = await page.$$eval("a[href]", (found) => found.map((link) => link.getAttribute("href")));
    return [...new Set(all.filter((href) => href.startsWith(prefix)).map((href) => href.split(/[?#]/)[0]))];
  };
  const machines = await links("/machines", "/machines/");
  const supplies = (await links(machines[0], "/machines/")).filter((href) => href.includes("/supplies/"));
  const parts = await links("/shelf", "/shelf/parts/");
  const months = (await links("/months", "/months/")).filter((href) => /^\/months\/\d{4}-\d{2}$/.test(href));
  const month = months[0];
  const [order] = (await links("/orders", "/orders/")).filter((href) => /^\/orders\/\d+$/.test(href));
  const [alert] = (await links("/alerts", "/alerts/")).filter((href) => /^\/alerts\/\d+$/.test(href));
  const swap = (await links("/swaps", "/swaps/")).find((href) => /^\/swaps\/\d+$/.test(href));
  await close();
  assert.ok(swap, "/swaps links to no swap");
  assert.ok(machines.length > 0, "/machines links to no machine");
  assert.ok(supplies.length > 1, "a machine links to no supplies");
  assert.ok(parts.length > 0, "/shelf links to no part");
  assert.ok(month, "/months links to no month");
  assert.ok(order, "/orders links to no order");
  assert.ok(alert, "/alerts links to no alert");
  const named = machines.map((path, at) => [`machine-${at + 1}`, path]);
  named.push(["supply", supplies[0]], ["receptacle", supplies[supplies.length - 1]]);
  named.push(["heads", `${machines[0]}/heads`], ["swap-begins", `${supplies[0]}/swap`], ["head-swap-begins", `${machines[0]}/heads/1/swap`]);
  named.push(["swaps", "/swaps"], ["swap", swap], ["guides", "/setup/guides"]);
  return {
    today: "/",
    tasks: "/tasks",
    machines: "/machines",
    ...Object.fromEntries(named),
    units: `${machines[0]}/units`,
    shelf: "/shelf",
    part: parts[0],
    count: "/shelf/count",
    new: "/shelf/new",
    entry: `${parts[0]}/entry`,
    orders: "/orders",
    order,
    runs: "/runs",
    check: "/runs/check?length=40&width=1&copies=2&media=matte",
    alerts: "/alerts",
    alert,
    rules: "/alerts/rules",
    rule: "/alerts/rules/waste_order_point",
    told: "/alerts/told",
    feeds: "/alerts/feeds",
    months: "/months",
    month,
    people: "/setup/people",
    changes: "/setup/changes",
  };
}

/** Defines the checks of one page, for each width and colour scheme. */
export function checkPages(world) {
  describe("every page", () => {
    for (const [width, viewport] of Object.entries(WIDTHS)) {
      for (const colorScheme of ["light", "dark"]) {
        test(`is sound at ${viewport.width} px, ${colorScheme}`, async (t) => {
          for (const [name, path] of Object.entries(world.pages)) {
            await t.test(`${name} ${path}`, () => checkPage(world, { name, path, width, viewport, colorScheme }));
          }
        });
      }
    }

    test("says the same without scripts", async (t) => {
      for (const [name, path] of Object.entries(world.pages)) {
        await t.test(`${name} ${path}`, async () => {
          const { page, complaints, close } = await openWindow(world.browser, world.address, {
            javaScriptEnabled: false,
          });
          await page.goto(path);
          assert.match(await page.locator("main").innerText(), /\w/);
          assert.equal(await page.locator("main h1").count(), 1);
          assertNone(complaints, "the browser complains");
          await close();
        });
      }
    });

    // WCAG 2.2, success criterion 1.4.4: text can be twice as large without loss.
    test("takes text of twice the size", async (t) => {
      for (const [name, path] of Object.entries(world.pages)) {
        await t.test(`${name} ${path}`, async () => {
          const { page, close } = await openWindow(world.browser, world.address, { viewport: WIDTHS.desk });
          await page.goto(path);
          await page.evaluate(() => {
            document.documentElement.style.fontSize = "200%";
          });
          const { scrolls, inside } = await widths(page);
          await page.screenshot({ path: join(pictures, `${name}-large.png`), fullPage: true });
          assert.ok(scrolls <= inside, `scrolls sideways: ${scrolls} px in a window of ${inside} px`);
          await close();
        });
      }
    });

    test("has a title of its own", async () => {
      const { page, close } = await openWindow(world.browser, world.address);
      const titles = [];
      for (const path of Object.values(world.pages)) {
        await page.goto(path);
        titles.push(await page.title());
      }
      assert.equal(new Set(titles).size, titles.length, titles.join(" | "));
      await close();
    });
  });
}

/** How wide a page is, and how wide its window. */
function widths(page) {
  return page.evaluate(() => ({
    scrolls: document.documentElement.scrollWidth,
    inside: document.documentElement.clientWidth,
  }));
}

async function checkPage({ browser, address }, { name, path, width, viewport, colorScheme }) {
  const { page, complaints, close } = await openWindow(browser, address, { viewport, colorScheme });
  try {
    const response = await page.goto(path);
    assert.equal(response.status(), 200);
    await page.screenshot({ path: join(pictures, `${name}-${width}-${colorScheme}.png`), fullPage: true });
    const { scrolls, inside } = await widths(page);
    assert.ok(scrolls <= inside, `scrolls sideways: ${scrolls} px in a window of ${inside} px`);
    assert.match(await page.locator("body").innerText(), /this is a demo/i, "does not say that it is a demo");
    assertNone(await axeFindings(page), "axe-core finds");
    assertNone(complaints, "the browser complains");
  } finally {
    await close();
  }
}
