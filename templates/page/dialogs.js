// Dialogs: a departure, a correction, no reading, a remark, skipping, pausing, another operator, all runs.

// Opens a dialog. `act` gets nothing and gives back a sentence if something is wrong, or null; then the dialog closes.
const openDialog = (title, inside, words, act) => {
  const wrong = el("p", { class: "wrong", role: "alert" });
  const dialog = el("dialog", { "aria-labelledby": "dialog-title" });
  const close = () => {
    dialog.close();
    dialog.remove();
    focusWork();
  };
  const form = el("form", {
    onsubmit: async (event) => {
      event.preventDefault();
      const said = await act();
      if (said) wrong.textContent = said;
      else close();
    },
  },
  el("h2", { id: "dialog-title" }, title),
  inside,
  wrong,
  el("div", { class: "row" },
    words && el("button", { type: "submit", class: "main" }, words),
    button(words ? "Cancel" : "Close", close)));
  dialog.addEventListener("cancel", (event) => {
    event.preventDefault();
    close();
  });
  dialog.append(form);
  document.body.append(dialog);
  dialog.showModal();
  (dialog.querySelector("[data-first]") ?? dialog.querySelector("input, select, textarea, button"))?.focus();
  return close;
};

const field = (words, input, help) => {
  input.id ||= `field-${Math.random().toString(36).slice(2)}`;
  return el("div", { class: "field" }, el("label", { for: input.id }, words), input, help && el("p", { class: "quiet" }, help));
};

const choice = (options, given = {}) => el("select", given, options.map(([value, words]) => el("option", { value }, words)));

const REASONS = ["mis-typed", "wrong position", "foot not seated", "hole hit twice", "instrument slipped", "specimen at the wrong temperature"];

// A reason from a short list, with more words if wanted. Gives [elements, read].
const reasonFields = (reasons, isOtherAllowed = true) => {
  const list = choice([["", "Choose"], ...reasons.map((r) => [r, capital(r)]), ...(isOtherAllowed ? [["other", "Something else"]] : [])]);
  const more = el("input", { type: "text", autocomplete: "off" });
  const read = () => {
    const words = oneLine(more.value);
    if (list.value === "") return { wrong: "Choose a reason." };
    if (list.value !== "other") return { reason: words ? `${list.value}: ${words}` : list.value };
    if (/^(looks? )?(wrong|odd|outlier|fix(ed)?|correct(ion|ed)|update|n\/a|none)\.?$/iu.test(words) || words.replace(/\P{L}/gu, "").length < 3) {
      return { wrong: "Say what happened. That a value looks wrong is not a reason." };
    }
    return textFault(words) ? { wrong: textFault(words) } : { reason: words };
  };
  return [[field("Reason", list), field("In words", more)], read];
};

const departureDialog = (run) => {
  const words = el("textarea", { rows: 3, "data-first": true });
  const which = choice([...(run ? [[String(run.run), `Run ${run.run}`]] : []), ["", "The study as a whole"]]);
  openDialog("Departure from the protocol", [
    el("p", {}, "Write down what was done otherwise, and why, when it happens."),
    field("What happened", words),
    field("It concerns", which),
  ], "Save", async () => {
    const what = oneLine(words.value);
    const fault = textFault(what);
    if (fault) return fault;
    await record({ kind: "deviation", run: which.value ? Number(which.value) : undefined, what });
    say("The departure is saved.");
    return null;
  });
};

const correctionDialog = (place) => {
  const now = app.state.value(place.row, place.what);
  const was = now.text ?? now.word;
  const value = el("input", { type: "text", inputmode: "decimal", autocomplete: "off", "data-first": true, value: now.text ?? "" });
  const instead = choice([["", "The value above"], ["void", "No value: void"], ["lost", "No value: lost"], ["not done", "No value: not done"]]);
  const [reasons, readReason] = reasonFields([...app.study.void_when, ...REASONS, ...(now.word ? ["read again"] : [])]);
  openDialog(`Correct ${place.words}`, [
    el("p", {}, "Both stay in the record: what was written first, and what it is now. On record: ", el("b", {}, was), "."),
    field("It should be", value),
    field("In its place stands", instead),
    reasons,
  ], "Save the correction", async () => {
    let to = instead.value;
    if (!to) {
      const number = readNumber(value.value);
      if (number.wrong) return number.wrong;
      if (place.possible && !within(place.possible, number.value)) return "That cannot be. Write what the display showed.";
      to = number.text;
    }
    if (to === was) return "That is what is on record already.";
    const { reason, wrong } = readReason();
    if (wrong) return wrong;
    await record(place.control
      ? { kind: "control", control: place.control.name, row: place.control.row, what: place.what, text: to, from: was, reason }
      : { kind: "correction", run: Number(place.row), what: place.what, from: was, to, reason, with: place.response && app.study.runs.find((run) => run.run === Number(place.row)).with });
    say(`${capital(place.words)} is corrected.`);
    return null;
  });
};

const missingDialog = (place) => {
  const word = choice([["not done", "Not done"], ["void", "Void"], ["lost", "Lost"]], { "data-first": true });
  const rules = app.study.void_when;
  const [reasons, readReason] = reasonFields([...rules, "foot not seated", "hole hit twice", "instrument slipped"].filter((r, i, all) => all.indexOf(r) === i));
  openDialog(`No value for ${place.words}`, [
    field("What stands in its place", word),
    rules.length > 0 && el("p", { class: "quiet" }, "The protocol says when a reading is void; any other reason is a departure, and is kept as one."),
    reasons,
  ], "Save", async () => {
    const { reason, wrong } = readReason();
    if (wrong) return wrong;
    const events = [place.control
      ? { kind: "control", control: place.control.name, row: place.control.row, what: place.what, text: word.value }
      : { kind: "missing", run: Number(place.row), what: place.what, reason: word.value, why: reason }];
    const isByRule = rules.some((rule) => reason === rule || reason.startsWith(`${rule}: `));
    if (place.control || (word.value === "void" && rules.length > 0 && !isByRule)) {
      const whose = place.control ? place.row : `run ${place.row}`;
      events.push({ kind: "deviation", run: place.control ? undefined : Number(place.row), what: `${capital(place.what)} of ${whose} is ${word.value}: ${reason}` });
    }
    await record(...(place.begins ?? []), ...events);
    say(`Saved: no value for ${place.words}.`);
    return null;
  });
};

const remarkDialog = (row) => {
  const now = app.state.value(String(row.row), "remark");
  const words = el("textarea", { rows: 3, "data-first": true, value: now?.text ?? "" });
  openDialog("Remark", [field("Remark", words)], "Save", async () => {
    const text = oneLine(words.value);
    const fault = textFault(text);
    if (fault) return fault;
    if (text === now?.text) return null;
    const reason = "the remark was written anew";
    const change = now ? { from: now.text, reason } : {};
    await record(row.control
      ? { kind: "control", control: row.control.name, row: row.control.row, what: "remark", text, ...change }
      : now
        ? { kind: "correction", run: row.row, what: "remark", from: now.text, to: text, reason }
        : { kind: "note", run: row.row, what: "remark", text });
    say("The remark is saved.");
    return null;
  });
};

const skipDialog = (run) => {
  const words = el("input", { type: "text", autocomplete: "off", "data-first": true });
  openDialog(`Skip run ${run.run}`, [
    el("p", {}, "The plan's order stays: the page goes on with the next run and comes back to this one."),
    field("Why", words),
  ], "Skip it for now", async () => {
    const text = oneLine(words.value);
    const fault = textFault(text);
    if (fault) return fault;
    await record({ kind: "course", run: run.run, what: "skipped", text });
    say(`Run ${run.run} is skipped.`);
    return null;
  });
};

const pauseDialog = () => {
  const words = el("input", { type: "text", autocomplete: "off", "data-first": true });
  openDialog("Pause", [field("Why (may stay empty)", words)], "Pause", async () => {
    const text = oneLine(words.value);
    if (text && textFault(text)) return textFault(text);
    await record({ kind: "course", what: "paused", text: text || undefined });
    return null;
  });
};

const operatorDialog = () => {
  const [inside, read] = operatorFields();
  openDialog("Who works now?", inside, "Go on", async () => {
    const { initials, wrong } = read();
    if (wrong) return wrong;
    if (initials !== app.state.operator) await record({ kind: "course", what: "operator", text: initials, by: initials });
    return null;
  });
};

const operatorFields = () => {
  const people = app.study.site.people;
  const list = choice([...people.map((p) => [p.code, p.role ? `${p.code} (${p.role})` : p.code]), ["", "Somebody else"]], { "data-first": true });
  if (people.some((p) => p.code === app.state.operator)) list.value = app.state.operator;
  const other = el("input", { type: "text", autocomplete: "off", maxlength: 100 });
  const read = () => {
    const initials = oneLine(people.length && list.value ? list.value : other.value);
    const wrong = initials === "" ? "Write the initials of whoever works now." : textFault(initials, 100);
    return { initials, wrong };
  };
  return [[people.length > 0 && field("Initials or code", list), field(people.length > 0 ? "Initials of somebody else" : "Initials or code", other)], read];
};

const runsDialog = () => {
  const { state, study } = app;
  const rows = study.runs.map((run) => {
    const at = state.skipped.has(run.run) ? "skipped"
      : state.isRunComplete(run) ? "done"
        : state.isRunUntouched(run) ? "open" : "begun";
    const elsewhere = at === "done" && !state.begun.has(run.run) ? ", on another device" : "";
    const isNow = app.work.run?.run === run.run;
    const take = !isNow && at !== "done" && button("Take up", async () => {
      close();
      await record({ kind: "course", run: run.run, what: "taken up" });
    }, { "aria-label": `Take up run ${run.run}` });
    const see = (at === "done" || at === "begun") && button("Readings", () => {
      close();
      readingsDialog(run);
    }, { "aria-label": `Readings of run ${run.run}` });
    return el("li", { class: at }, el("b", {}, `Run ${run.run}`), el("span", {}, isNow ? "now" : at + elsewhere), see, take);
  });
  const close = openDialog("All runs", [
    el("p", {}, "The plan's order is kept as it stands. A run taken up out of turn shows in the record."),
    el("ol", { class: "runs", tabindex: 0, "aria-label": "Runs" }, rows),
  ], null, () => null);
};

const readingsDialog = (run) => {
  const rows = app.state.runPlaces(run).map((what) => {
    const now = app.state.value(String(run.run), what);
    const place = placeOf(run, what);
    const mend = now && button("Correct", () => {
      close();
      correctionDialog(place);
    }, { "aria-label": `Correct ${place.words}` });
    return el("li", {}, el("b", {}, plain(what)), el("span", {}, now ? now.text ?? now.word : "open"), mend);
  });
  const close = openDialog(`Run ${run.run}`, [el("ol", { class: "runs", tabindex: 0, "aria-label": "Values" }, rows)], null, () => null);
};
