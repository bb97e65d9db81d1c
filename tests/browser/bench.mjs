// What the tests of the page share: studies made by the program, a browser, somebody who works through the page.
//
// WELLRUN names the program (by default the debug build), CHROMIUM the browser.

import assert from "node:assert/strict";
import { spawn, spawnSync } from "node:child_process";
import { cpSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath, pathToFileURL } from "node:url";

import { chromium } from "playwright-core";

const here = fileURLToPath(new URL(".", import.meta.url));
const program = process.env.WELLRUN ?? join(here, "../../target/debug/wellrun");
const browserPath = process.env.CHROMIUM ?? "/usr/bin/chromium";
const FLAGS = [
  "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
  "--disable-background-networking", "--disable-component-update", "--disable-sync", "--disable-dev-shm-usage",
];

// The clock that every test starts at.
export const MONDAY = new Date("2026-03-02T08:00:00Z");

export const wellrun = (dir, ...given) => {
  const ran = spawnSync(program, given, { cwd: dir, encoding: "utf8", env: { ...process.env, SOURCE_DATE_EPOCH: "1772700000", NO_COLOR: "1" } });
  return { status: ran.status, out: ran.stdout, err: ran.stderr };
};

export const done = (dir, ...given) => {
  const ran = wellrun(dir, ...given);
  assert.equal(ran.status, 0, `${given.join(" ")}\n${ran.out}\n${ran.err}`);
  return ran.out;
};

// A folder that goes when the test ends.
export const scratch = (t) => {
  const dir = mkdtempSync(join(tmpdir(), "wellrun-page-"));
  t.after(() => rmSync(dir, { recursive: true, force: true }));
  return dir;
};

// A study with its order drawn and its page written; `change` may rewrite the protocol.
export const study = (t, change = (text) => text) => {
  const dir = scratch(t);
  cpSync(join(here, "study"), dir, { recursive: true });
  const protocol = join(dir, "protocol.toml");
  writeFileSync(protocol, change(readFileSync(protocol, "utf8")));
  done(dir, "plan", "--seed", "7");
  done(dir, "sheet", "--as", "page,csv");
  return dir;
};

export const launch = async (t) => {
  const browser = await chromium.launch({ executablePath: browserPath, args: FLAGS });
  t.after(() => browser.close());
  return browser;
};

// A browser of its own on a profile that outlives it, so that it can be killed.
export const spawnBrowser = async (profile) => {
  const child = spawn(browserPath, [...FLAGS, "--remote-debugging-port=0", `--user-data-dir=${profile}`], { stdio: ["ignore", "ignore", "pipe"], detached: true });
  const address = await new Promise((resolve, reject) => {
    let text = "";
    child.stderr.on("data", (part) => {
      text += part;
      const found = /ws:\/\/\S+/u.exec(text);
      if (found) resolve(found[0]);
    });
    child.on("exit", () => reject(new Error(`the browser ended: ${text}`)));
  });
  const browser = await chromium.connectOverCDP(address);
  return {
    browser,
    context: browser.contexts()[0],
    // Nothing in it gets a chance to write anything.
    kill: async () => {
      const ended = new Promise((resolve) => { child.on("exit", resolve); });
      process.kill(-child.pid, "SIGKILL");
      await ended;
      await browser.close().catch(() => {});
    },
  };
};

// Opens the page of a study, and looks that it asks nothing of anybody and stays without errors.
export const open = async (t, context, dir) => {
  const page = await context.newPage();
  const seen = [];
  page.on("request", (request) => {
    if (!/^(file|blob|data):/u.test(request.url())) seen.push(request.url());
  });
  page.on("pageerror", (error) => seen.push(String(error)));
  page.on("console", (message) => {
    if (message.type() === "error") seen.push(message.text());
  });
  page.noise = seen;
  t.after(() => assert.deepEqual(seen, []));
  await page.goto(pathToFileURL(join(dir, "sheets/page.html")).href);
  await page.locator("#here").waitFor();
  return page;
};

// Somebody who works through the page with keyboard and pointer.
export class Technician {
  constructor(page, { initials = "op1", value, isClockFake = true } = {}) {
    this.page = page;
    this.initials = initials;
    this.value = value;
    this.isClockFake = isClockFake;
    this.made = []; // runs in the order in which they were made
    this.written = new Map(); // "row|what" -> text
  }

  saved() {
    return this.page.evaluate(() => Number(/^\d+/u.exec(document.querySelector(".kept")?.textContent ?? "")?.[0] ?? 0));
  }

  // Does something and waits until so many entries more are saved.
  async saving(act, atLeast = 1) {
    const before = await this.saved();
    await act();
    for (let tries = 0; tries < 2000; tries += 1) {
      if ((await this.saved()) >= before + atLeast) return;
      await new Promise((resolve) => { setTimeout(resolve, 5); });
    }
    throw new Error(`nothing was saved: ${await this.page.locator("#page").innerText()}`);
  }

  async pass(milliseconds) {
    if (this.isClockFake) await this.page.clock.fastForward(milliseconds);
  }

  // Where the page stands: what is to be ticked, written, waited for.
  where() {
    return this.page.evaluate(() => {
      const here = document.getElementById("here");
      const small = here.querySelector("small")?.textContent ?? "";
      const title = here.textContent.slice(small.length);
      const run = /^Run (\d+)$/u.exec(title)?.[1] ?? /before run (\d+)/u.exec(small)?.[1];
      const now = document.querySelector("#work .places [aria-current]")?.getAttribute("data-what");
      return {
        title,
        small,
        row: small === "control" ? title.toLowerCase() : run,
        run: run ? Number(run) : null,
        isRun: /^Run \d+$/u.test(title),
        what: now ?? null,
        ticks: document.querySelectorAll("#work input[data-todo]").length,
      };
    });
  }

  async tick() {
    await this.saving(() => this.page.locator("#work input[data-todo]").first().click());
  }

  async write(text) {
    await this.page.locator("#entry").fill(text);
    await this.page.locator("#entry").press("Enter");
  }

  async step() {
    const { page } = this;
    const at = await this.where();
    if (at.title === "Who works?") {
      await page.getByLabel("Initials or code").selectOption(this.initials);
      await this.saving(() => page.getByRole("button", { name: "Begin" }).click());
    } else if (at.ticks > 0) {
      await this.tick();
    } else if (at.what) {
      const text = this.value(at.row, at.what);
      await this.pass(2000);
      await this.saving(() => this.write(text));
      this.written.set(`${at.row}|${at.what}`, text);
      if (at.isRun && this.made[this.made.length - 1] !== at.run) this.made.push(at.run);
    } else if (at.title === "Wait") {
      await this.pass(60_000);
    } else if (at.title === "After the last run") {
      await this.saving(() => page.getByRole("button", { name: "The work is done" }).click());
    } else if (/was skipped$/u.test(at.title)) {
      await this.saving(() => page.getByRole("button", { name: /^Take run/u }).click());
    } else {
      throw new Error(`no way on from ${JSON.stringify(at)}`);
    }
    return at;
  }

  // Works until `isThere` says so of the place where the page stands.
  async until(isThere) {
    for (let steps = 0; steps < 20_000; steps += 1) {
      const at = await this.where();
      if (isThere(at)) return at;
      await this.step();
    }
    throw new Error("there is no end to it");
  }

  // Writes the results file and gives its path and text.
  async handOver(dir) {
    const { page } = this;
    await page.getByRole("navigation").getByRole("button", { name: "Hand over" }).click();
    const [download] = await Promise.all([
      page.waitForEvent("download"),
      page.getByRole("link", { name: "Write the results file" }).click(),
    ]);
    const path = join(dir, download.suggestedFilename());
    await download.saveAs(path);
    await page.getByRole("dialog").getByRole("button", { name: "Close" }).click();
    return path;
  }
}

// Readings as they might be: the same for the same place, never the same in two runs.
export const reading = (row, what) => {
  if (what === "core_temperature") return (21 + (Number(row) % 7) / 10).toFixed(1);
  if (what === "humidity") return String(45 + (Number(row) % 5));
  const [, k] = /(\d+)$/u.exec(what);
  const n = row.startsWith("block") ? 500 + Number(row.slice(6)) : Number(row);
  return (56 + ((n * 37 + Number(k) * 11 + n * Number(k) * 5 + Math.floor(n / 23) * Number(k) ** 2 * 3) % 23) / 10).toFixed(1);
};

export const table = (text) => {
  const [head, ...rows] = text.replace(/^\ufeff/u, "").trimEnd().split("\n").map((line) => {
    const cells = [];
    for (const found of line.matchAll(/(?:^|,)(?:"((?:[^"]|"")*)"|([^,]*))/gu)) cells.push(found[1]?.replaceAll("\"\"", "\"") ?? found[2]);
    return cells;
  });
  return { head, rows };
};

export const csv = ({ head, rows }) => [head, ...rows]
  .map((cells) => cells.map((cell) => (/[",\n]/u.test(cell) ? `"${cell.replaceAll("\"", "\"\"")}"` : cell)).join(","))
  .join("\n") + "\n";

