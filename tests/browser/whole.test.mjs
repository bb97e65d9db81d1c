// A study of 96 runs filled entirely on the page: without network, with reloads, and with everything that goes wrong at
// a bench. What the program then finds is what it finds when the same values come as CSV.

import assert from "node:assert/strict";
import { readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { test } from "node:test";

import { MONDAY, Technician, csv, done, launch, open, reading, scratch, study, table, wellrun } from "./bench.mjs";

const inDialog = async (page, button, fill, save) => {
  await page.getByRole("button", { name: button }).first().click();
  const dialog = page.getByRole("dialog");
  await fill(dialog);
  await dialog.getByRole("button", { name: save, exact: true }).click();
  await dialog.waitFor({ state: "detached" });
};

test("96 runs on the page give the findings that the same values give as CSV", { timeout: 900_000 }, async (t) => {
  const dir = study(t);
  const browser = await launch(t);
  const context = await browser.newContext({ acceptDownloads: true });
  await context.setOffline(true);
  await context.clock.install({ time: MONDAY });
  const page = await open(t, context, dir);
  const work = new Technician(page, { value: reading });

  // A reading outside what is usual is asked about: once it is written again, once it stands.
  await work.until((at) => at.row === "2" && at.what === "hardness 2");
  await work.pass(3000);
  await work.write("5.72");
  await page.getByRole("button", { name: "Write it again" }).waitFor();
  await page.keyboard.type("9"); // a gauge that goes on typing changes nothing, and its Enter takes nothing
  await page.keyboard.press("Enter");
  await work.saving(() => page.getByRole("button", { name: "Write it again" }).click());
  assert.equal((await work.where()).what, "hardness 2");
  await work.pass(3000);
  await work.write("44.1");
  await work.saving(() => page.getByRole("button", { name: "It is what the display shows" }).click(), 2);
  work.written.set("2|hardness 2", "44.1");

  // What cannot be is not taken.
  await work.until((at) => at.row === "2" && at.what === "hardness 3");
  await work.write("572");
  assert.match(await page.locator("#entry-wrong").innerText(), /cannot be/u);
  assert.equal((await work.where()).what, "hardness 3");

  // A correction keeps both, and wants a reason that is one.
  await work.until((at) => at.row === "3" && at.what === "hardness 2");
  const first = work.written.get("3|hardness 1");
  await page.getByRole("button", { name: "Correct the last…" }).click();
  const dialog = page.getByRole("dialog");
  await dialog.getByLabel("It should be").fill("57.9");
  await dialog.getByLabel("Reason").selectOption("other");
  await dialog.getByLabel("In words").fill("looks wrong");
  await dialog.getByRole("button", { name: "Save the correction" }).click();
  assert.match(await dialog.getByRole("alert").innerText(), /not a reason/u);
  await dialog.getByLabel("Reason").selectOption("mis-typed");
  await dialog.getByLabel("In words").fill("");
  await work.saving(() => dialog.getByRole("button", { name: "Save the correction" }).click());
  await dialog.waitFor({ state: "detached" });

  // A reload in the middle of a run, and a page that is closed and opened again: nothing is lost, the run goes on.
  const before = await work.saved();
  await page.reload();
  await page.locator("#here").waitFor();
  assert.equal(await work.saved(), before);
  assert.deepEqual([(await work.where()).row, (await work.where()).what], ["3", "hardness 2"]);

  // A reading that is void by the protocol's rule, a departure, a pause, another operator.
  await work.until((at) => at.row === "4" && at.what === "hardness 3");
  await inDialog(page, "No value…", async (d) => {
    await d.getByLabel("What stands in its place").selectOption("void");
    await d.getByLabel("Reason").selectOption("the foot was not seated");
  }, "Save");
  work.written.set("4|hardness 3", "void");
  await inDialog(page, "Departure…", (d) => d.getByLabel("What happened").fill("The oven door stood open for two minutes."), "Save");
  await inDialog(page, "Pause…", (d) => d.getByLabel("Why").fill("lunch"), "Pause");
  assert.equal((await work.where()).title, "Paused");
  assert.equal(await page.locator("#entry").count(), 0);
  await work.pass(30 * 60_000);
  await work.saving(() => page.getByRole("button", { name: "Go on" }).click());
  await inDialog(page, "Operator: op1", (d) => d.getByLabel("Initials or code").selectOption("op2"), "Go on");

  // A run that is skipped and comes last; the page keeps to the order of the others.
  await work.until((at) => at.run === 10 && at.isRun);
  await inDialog(page, "Skip this run…", (d) => d.getByLabel("Why").fill("the roller is not warm yet"), "Skip it for now");
  assert.notEqual((await work.where()).run, 10);
  await page.close();
  const again = await open(t, context, dir);
  work.page = again;
  await work.until((at) => at.title === "The work is done");
  assert.deepEqual(work.made, [...Array.from({ length: 96 }, (_, i) => i + 1).filter((n) => n !== 10), 10]);
  assert.match(await again.locator(".kept").innerText(), /Not handed over yet/u);

  const file = await work.handOver(scratch(t));
  assert.match(await again.locator(".kept").innerText(), /All handed over/u);

  // Taken in once, and a second time adds nothing.
  done(dir, "record", ".", file);
  const journal = readFileSync(join(dir, "record.jsonl"), "utf8");
  done(dir, "record", ".", file);
  assert.equal(readFileSync(join(dir, "record.jsonl"), "utf8"), journal);
  const status = JSON.parse(done(dir, "status", "--json"));
  assert.deepEqual([status.planned, status.complete], [96, 95]);

  // The same by CSV.
  const other = study(t);
  const sheet = table(readFileSync(join(other, "sheets/sheet.csv"), "utf8"));
  const column = (name) => sheet.head.indexOf(name);
  const whole = new Map(work.written);
  for (const row of sheet.rows) {
    for (let k = 0; k < sheet.head.length; k += 1) {
      const text = whole.get(`${row[0]}|${sheet.head[k]}`);
      if (text !== undefined) {
        row[k] = text;
        whole.delete(`${row[0]}|${sheet.head[k]}`);
      }
    }
    if (/^\d+$/u.test(row[0])) row[column("order")] = String(work.made.indexOf(Number(row[0])) + 1);
  }
  assert.deepEqual([...whole.keys()], []);
  writeFileSync(join(other, "filled.csv"), csv(sheet));
  done(other, "record", ".", "filled.csv");
  assert.equal(sheet.rows.find((row) => row[0] === "3")[column("hardness 1")], first);
  sheet.rows.find((row) => row[0] === "3")[column("hardness 1")] = "57.9";
  writeFileSync(join(other, "fixed.csv"), csv(sheet));
  done(other, "record", ".", "fixed.csv", "--reason", "mis-typed");
  done(other, "record", ".", "--deviation", "The oven door stood open for two minutes.", "--run", "4");

  const findings = (at) => {
    const found = JSON.parse(done(at, "analyse", "--json"));
    // The journals differ: one says more of where each value comes from.
    delete found.provenance.record_sha256;
    delete found.record.bench;
    for (const missing of found.record.missing) delete missing.why;
    return JSON.stringify(found);
  };
  assert.ok(findings(dir) === findings(other), "other findings from the same values");

  // One row a reading, each with its instrument, its person and its time.
  const tidy = table(done(dir, "record", "--as", "csv"));
  const at = (row, name) => row[tidy.head.indexOf(name)];
  assert.equal(tidy.rows.length, 96 * 3);
  for (const row of tidy.rows.filter((r) => at(r, "missing") === "")) {
    assert.match(at(row, "with"), new RegExp(`^instrument ${at(row, "instrument")}, serial D-`, "u"));
    assert.match(at(row, "time"), /^2026-03-0\d/u);
    assert.ok(["op1", "op2"].includes(at(row, "initials")));
  }
  done(dir, "record", ".", "--close", "--by", "lead");
  done(dir, "report", "--as", "html");
  const report = readFileSync(join(dir, "report/report.html"), "utf8");
  for (const words of ["The oven door stood open", "the foot was not seated", "mis-typed", "op2"]) assert.ok(report.includes(words), words);
  assert.equal(wellrun(dir, "record", ".", file).status, 1);
});
