// The page by itself: two devices, two windows, kills, keyboard, screen readers, sizes.

import assert from "node:assert/strict";
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";

import axe from "axe-core";

import { MONDAY, Technician, done, launch, open, reading, scratch, spawnBrowser, study, wellrun } from "./bench.mjs";

const takeUp = async (work, run) => {
  await work.page.getByRole("button", { name: "All runs…" }).click();
  await work.saving(() => work.page.getByRole("button", { name: `Take up run ${run}`, exact: true }).click());
};

test("two devices on one study: nothing is lost, nothing counts twice", { timeout: 300_000 }, async (t) => {
  const dir = study(t);
  const browser = await launch(t);
  const device = async (initials, value) => {
    const context = await browser.newContext({ acceptDownloads: true });
    await context.clock.install({ time: MONDAY });
    return new Technician(await open(t, context, dir), { initials, value });
  };
  const [one, two] = [await device("op1", reading), await device("op2", (row, what) => (row === "2" && what === "hardness 1" ? "59.9" : reading(row, what)))];
  await one.until((at) => at.run === 4 && at.isRun);
  await two.until((at) => at.isRun);
  await takeUp(two, 2);
  await two.until((at) => at.isRun && at.run !== 2);
  await takeUp(two, 5);
  await two.until((at) => at.isRun && at.run !== 5);
  const files = [await one.handOver(scratch(t)), await two.handOver(scratch(t))];

  const ran = wellrun(dir, "record", ".", ...files);
  assert.equal(ran.status, 0, ran.err);
  assert.match(ran.err, /R096.*hardness 1 of run 2 is `59.9`, and `/u);
  const table = done(dir, "record", "--as", "csv").trimEnd().split("\n").slice(1);
  assert.equal(table.length, 4 * 3); // runs 1 to 3 of the first, 5 of the second; run 2 counts once
  assert.ok(!table.some((row) => row.includes("59.9")));
  const status = done(dir, "status");
  assert.match(status, /59\.9/u);
  // In the other order the other value stands, and the same two are reported.
  const other = study(t);
  done(other, "record", ".", ...files.toReversed());
  assert.match(done(other, "status"), /59\.9/u);
  assert.equal(done(other, "record", "--as", "csv").trimEnd().split("\n").length, 13);
  // A longer file of the same device adds what is new.
  await one.until((at) => at.isRun && at.run > 5);
  done(dir, "record", ".", await one.handOver(scratch(t)));
  assert.equal(done(dir, "record", "--as", "csv").trimEnd().split("\n").length, 16);

  // The first device shows what the second did, and hands both on.
  await one.page.getByRole("navigation").getByRole("button", { name: "Hand over" }).click();
  await one.page.getByText("Show what another device did").click();
  await one.page.getByLabel("Results file of another device").setInputFiles(files[1]);
  await one.page.getByText("Taken in: 1 device.").waitFor();
  await one.page.getByRole("dialog").getByRole("button", { name: "Close" }).click();
  assert.match(await one.page.locator(".kept").innerText(), /places? ha(s|ve) two values/u);
  const third = study(t);
  done(third, "record", ".", await one.handOver(scratch(t)));
  assert.equal(done(third, "record", "--as", "csv").trimEnd().split("\n").length, 16);
  // A file that was changed is refused, by the page and by the program.
  const changed = join(scratch(t), "changed.jsonl");
  writeFileSync(changed, readFileSync(files[1], "utf8").replace("59.9", "58.9"));
  assert.match(wellrun(third, "record", ".", changed).err, /R089/u);
});

test("two windows of one browser do not write over each other", { timeout: 120_000 }, async (t) => {
  const dir = study(t);
  const browser = await launch(t);
  const context = await browser.newContext();
  await context.clock.install({ time: MONDAY });
  const [one, two] = [new Technician(await open(t, context, dir), { value: reading }), new Technician(await open(t, context, dir), { value: reading })];
  await one.until((at) => at.isRun && at.what);
  const saved = await one.saved();
  await two.page.getByRole("button", { name: "Begin" }).click();
  await two.page.getByText("This was not saved").waitFor();
  assert.equal(await two.saved(), saved);
  assert.ok((await two.where()).isRun);
  await two.step();
  assert.equal(await two.saved(), saved + 1);
});

test("whatever shows as saved is there after a kill", { timeout: 300_000 }, async (t) => {
  const dir = study(t);
  const profile = scratch(t);
  let seen = 0;
  for (let round = 0; round < 8; round += 1) {
    const started = await spawnBrowser(profile);
    const page = await open(t, started.context, dir);
    const work = new Technician(page, { value: reading, isClockFake: false });
    assert.ok((await work.saved()) >= seen, `${await work.saved()} of ${seen} are there`);
    // Killed somewhere in the middle of entering; the number of entries shown is read all the time.
    const enough = 3 + ((round * 7) % 11);
    let isOver = false;
    let stopped = null;
    const entering = (async () => {
      while (!isOver) {
        const at = await work.where();
        if (at.title === "Wait") {
          await page.getByRole("button", { name: /Start early/u }).click();
          await page.getByRole("dialog").getByLabel("Why").fill("for the test");
          await work.saving(() => page.getByRole("dialog").getByRole("button", { name: "Start", exact: true }).click(), 2);
        } else if (at.what) {
          await work.saving(async () => {
            await work.write(reading(at.row, at.what));
            const keep = page.getByRole("button", { name: "It is what the display shows" });
            if (await keep.isVisible()) await keep.click();
          });
        } else {
          await work.step();
        }
      }
    })().catch((error) => {
      if (!isOver) stopped = error;
    });
    const from = seen;
    while (!stopped && seen < from + enough) seen = Math.max(seen, await work.saved());
    isOver = true;
    await started.kill();
    await entering;
    assert.equal(stopped, null);
  }
});

test("a run with the keyboard alone, and a gauge that types", { timeout: 120_000 }, async (t) => {
  const dir = study(t);
  const browser = await launch(t);
  const context = await browser.newContext();
  await context.clock.install({ time: MONDAY });
  const page = await open(t, context, dir);
  const work = new Technician(page, { value: reading });
  await page.keyboard.press("Tab");
  await page.keyboard.press("Tab");
  await work.saving(() => page.keyboard.press("Enter"));
  for (let steps = 0; steps < 80; steps += 1) {
    const at = await work.where();
    if (at.run === 2) return;
    if (at.title === "Wait") await work.pass(60_000);
    else if (at.ticks > 0) await work.saving(() => page.keyboard.press("Space"));
    else {
      // The focus stands in the entry; the gauge types and ends with Enter.
      await work.pass(2000);
      await work.saving(async () => {
        await page.keyboard.type(reading(at.row, at.what));
        await page.keyboard.press("Enter");
      });
    }
  }
  assert.fail("the second run was not reached");
});

test("the reading time is counted from contact", { timeout: 60_000 }, async (t) => {
  const dir = study(t, (text) => text.replace("1 s after firm contact", "15 s after firm contact"));
  const browser = await launch(t);
  const context = await browser.newContext();
  await context.clock.install({ time: MONDAY });
  const page = await open(t, context, dir);
  const work = new Technician(page, { value: reading });
  await work.until((at) => at.isRun && at.what === "hardness 1");
  await page.keyboard.press("Enter"); // an empty entry and Enter is contact
  await page.clock.runFor(5000);
  assert.equal(await page.locator(".timer .left").innerText(), "10 s");
  await work.write("57.2");
  await page.getByText("The reading time of 15 s is not over.").waitFor();
  await work.saving(() => page.getByRole("button", { name: "Write it again" }).click());
  await page.keyboard.press("Enter");
  await page.clock.runFor(15_100);
  assert.equal(await page.locator(".timer .left").innerText(), "Read now");
  assert.equal(await page.locator("#said").innerText(), "Read now.");
  await work.saving(() => work.write("57.2"));
});

test("a blinded study shows codes until its record is closed", { timeout: 120_000 }, async (t) => {
  const dir = study(t, (text) => `${text.replace("after = [\"polished\"]\n", "")}\n[blinding]\nfactors = ["finish"]\n`);
  const html = readFileSync(join(dir, "sheets/page.html"), "utf8");
  assert.ok(!/polished|turned/u.test(html), "the page names no level");
  const browser = await launch(t);
  const context = await browser.newContext({ acceptDownloads: true });
  await context.clock.install({ time: MONDAY });
  const page = await open(t, context, dir);
  await page.getByText("blinded: levels are codes").waitFor();
  const work = new Technician(page, { value: reading });
  await work.until((at) => at.run === 2 && at.isRun);
  done(dir, "record", ".", await work.handOver(scratch(t)));
  assert.ok(!/polished|turned/u.test(done(dir, "record", "--as", "csv") + done(dir, "status")));
  done(dir, "record", ".", "--close", "--reason", "the test ends here");
  assert.match(done(dir, "record", "--as", "csv"), /polished|turned/u);
});

test("what a protocol says stays text", { timeout: 60_000 }, async (t) => {
  const hostile = "</script><img src=x onerror=alert(1)><script>document.title='taken'</script>";
  const dir = study(t, (text) => text.replace("Cap the indenter.", hostile).replace("Put the rollers back.", hostile)
    .replace("Do two instruments read a drive roller alike?", hostile).replace("The indenter is sharp", hostile));
  const browser = await launch(t);
  const context = await browser.newContext();
  await context.clock.install({ time: MONDAY });
  const page = await open(t, context, dir);
  page.on("dialog", () => page.noise.push("a dialog opened"));
  assert.equal(await page.locator("#head h1").innerText(), hostile);
  await new Technician(page, { value: reading }).until((at) => at.run === 2 && at.isRun);
  assert.equal(await page.locator("img").count(), 0);
  assert.notEqual(await page.title(), "taken");
});

// Every kind of view, and every dialog.
const everyView = async (t, context, dir, look) => {
  const page = await open(t, context, dir);
  const work = new Technician(page, { value: reading });
  const seen = new Set();
  for (let steps = 0; steps < 400; steps += 1) {
    const at = await work.where();
    const name = at.title.replace(/\d+/gu, "").replace(/ of .*/u, "").trim();
    const key = at.isRun ? `${name} ${at.ticks > 0 ? "ticks" : "entry"}` : name;
    if (!seen.has(key)) {
      seen.add(key);
      await look(page, key);
    }
    if (at.run === 5 && at.what === "hardness 2") break;
    await work.step();
  }
  await work.write("5.72");
  await page.getByRole("button", { name: "Write it again" }).waitFor();
  await look(page, "question");
  await page.getByRole("button", { name: "Write it again" }).click();
  for (const name of ["Departure…", "Pause…", /^Operator/u, "All runs…", "Hand over…", "No value…", "Correct the last…", "Remark…", "Skip this run…"]) {
    await page.getByRole("button", { name }).first().click();
    await page.getByRole("dialog").waitFor();
    await look(page, String(name));
    await page.keyboard.press("Escape");
    await page.getByRole("dialog").waitFor({ state: "detached" });
  }
  return page;
};

for (const colorScheme of ["light", "dark"]) {
  test(`nothing stands in the way of a screen reader (${colorScheme})`, { timeout: 300_000 }, async (t) => {
    const dir = study(t);
    const browser = await launch(t);
    const context = await browser.newContext({ colorScheme, viewport: { width: 820, height: 1180 }, hasTouch: true, bypassCSP: true });
    await context.clock.install({ time: MONDAY });
    let looked = 0;
    await everyView(t, context, dir, async (page, name) => {
      await page.evaluate(axe.source);
      const found = await page.evaluate(() => window.axe.run(document, {
        runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
      }));
      const said = found.violations.map((v) => `${v.id}: ${v.nodes.map((n) => `${n.html} (${n.failureSummary})`).join(" | ")}`);
      assert.deepEqual(said, [], name);
      looked += 1;
    });
    assert.ok(looked > 14, `${looked} views`);
  });
}

test("targets are large, and nothing runs off a small screen or at 200 %", { timeout: 300_000 }, async (t) => {
  const dir = study(t);
  const browser = await launch(t);
  for (const viewport of [{ width: 320, height: 640 }, { width: 640, height: 400 }]) {
    const context = await browser.newContext({ viewport, hasTouch: true, deviceScaleFactor: 2 });
    await context.clock.install({ time: MONDAY });
    await everyView(t, context, dir, async (page, name) => {
      const { wide, small } = await page.evaluate(() => {
        const root = document.querySelector("dialog[open]") ?? document.getElementById("page");
        const targets = root.querySelectorAll("button, a.button, select, summary, input:not([type=checkbox]), textarea, .ticks label");
        return {
          wide: Math.max(document.documentElement.scrollWidth - document.documentElement.clientWidth, root.scrollWidth - root.clientWidth),
          small: [...targets]
            .map((target) => ({ target, box: target.getBoundingClientRect() }))
            .filter(({ box }) => box.width > 0 && (box.width < 44 || box.height < 44))
            .map(({ target, box }) => `${target.outerHTML.slice(0, 120)} ${box.width} × ${box.height}`),
        };
      });
      assert.deepEqual({ wide, small }, { wide: 0, small: [] }, `${name} at ${viewport.width}`);
    });
    await context.close();
  }
});
