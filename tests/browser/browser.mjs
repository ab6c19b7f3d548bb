// Debian's Chromium, watched for everything that a page should not do.

import { createRequire } from "node:module";
import { mkdirSync } from "node:fs";
import { join } from "node:path";

const root = join(import.meta.dirname, "../..");
const tools = createRequire(join(process.env.NODE_TOOLS ?? join(root, "target/tools/node"), "package.json"));
const { chromium } = tools("playwright-core");
const axe = tools("axe-core");

/** Where the pictures of the pages go. */
export const pictures = join(root, "target/browser");
mkdirSync(pictures, { recursive: true });

/** Starts the browser so that it talks to nobody by itself. */
export function startBrowser() {
  const args = [
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
  ];
  return chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    // Chromium has no sandbox for root.
    chromiumSandbox: process.getuid() !== 0,
    args,
  });
}

/**
 * Opens a page in a window of its own and writes down every complaint: errors in the console, scripts that
 * fail, requests that fail or leave the demo.
 */
export async function openWindow(browser, address, options = {}) {
  const context = await browser.newContext({ baseURL: address, acceptDownloads: true, ...options });
  const page = await context.newPage();
  const complaints = [];
  page.on("console", (message) => {
    if (["error", "warning"].includes(message.type())) complaints.push(`console: ${message.text()}`);
  });
  page.on("pageerror", (error) => complaints.push(`script: ${error.message}`));
  page.on("request", (request) => {
    const url = request.url();
    if (!url.startsWith(address) && !url.startsWith("data:")) complaints.push(`request leaves the demo: ${url}`);
  });
  page.on("requestfailed", (request) => {
    const why = request.failure()?.errorText;
    // A download is a navigation that the browser gives up for a file.
    if (why !== "net::ERR_ABORTED") complaints.push(`request failed: ${request.url()} ${why}`);
  });
  page.on("response", (response) => {
    if (response.status() >= 400) complaints.push(`status ${response.status()}: ${response.url()}`);
  });
  return { page, complaints, close: () => context.close() };
}

/** Fails with the whole list, one line each, when there is anything in it. */
export function assertNone(list, what) {
  if (list.length > 0) throw new Error(`${what}:\n${list.join("\n")}`);
}

/** What axe-core finds wrong, one line a finding. */
export async function axeFindings(page) {
  await page.evaluate(axe.source);
  const { violations } = await page.evaluate(() =>
    globalThis.axe.run(document, { resultTypes: ["violations"], rules: { "target-size": { enabled: true } } }),
  );
  return violations.flatMap(({ id, help, nodes }) =>
    nodes.map(({ target, failureSummary }) => `${id} (${help}) at ${target.join(" ")}: ${failureSummary}`),
  );
}
