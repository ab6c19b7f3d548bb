// The demo in a browser: started once, looked at from all sides, ended with Ctrl-C.

import assert from "node:assert/strict";
import { after, before, describe, test } from "node:test";

import { startBrowser } from "./browser.mjs";
import { startDemo, whenComplete } from "./demo.mjs";
import { checkFirstRun } from "./first-run.mjs";
import { checkAlerts } from "./alerts.mjs";
import { checkJourneys } from "./journeys.mjs";
import { checkPages, findPages } from "./pages.mjs";
import { checkSwaps } from "./swaps.mjs";

const world = {};

describe("the demo", () => {
  before(async () => {
    world.demo = await startDemo();
    world.address = world.demo.address;
    await whenComplete(world.address);
    world.browser = await startBrowser();
    world.pages = await findPages(world.browser, world.address);
  });

  after(async () => {
    await world.browser?.close();
    if (!world.ended) await world.demo?.stop();
  });

  test("has a page to show soon after its start", (t) => {
    t.diagnostic(`the first page came after ${Math.round(world.demo.firstPageMs)} ms, unoptimised`);
    assert.ok(world.demo.firstPageMs < 10_000);
  });

  checkPages(world);
  checkJourneys(world);
  checkAlerts(world);
  checkSwaps(world);

  test("ends on Ctrl-C and leaves no process", async () => {
    const { code, signal, left, said } = await world.demo.stop();
    world.ended = true;
    assert.deepEqual({ code, signal, left }, { code: 0, signal: null, left: [] }, said);
  });
});

checkFirstRun();
