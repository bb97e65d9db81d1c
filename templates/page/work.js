// Which piece of work comes next: cleaning, a control, setting up, waiting, a run. The order is the plan's; what has to
// be done in between follows from the run that was made last at this bench, not from the one that was planned.

const unfinished = (state) => state.study.runs.filter((run) => !state.isRunComplete(run));

// A run is left only when its last steps are ticked too, if it was made here.
const isDone = (state, run) => state.isRunComplete(run)
  && (!state.begun.has(run.run) || state.study.after_run.every((step, i) => state.isTicked(run.run, stepText(state.study.after_run, i, "after the run"))));

const nextRun = (state) => {
  const open = state.study.runs.filter((run) => !isDone(state, run));
  const byNumber = (n) => open.find((run) => run.run === n);
  const chosen = [...state.chosen].reverse().map(byNumber).find(Boolean);
  if (chosen) return chosen;
  const begun = [...state.begun.keys()].map(byNumber).find((run) => run && !state.skipped.has(run.run));
  if (begun) return begun;
  return open.find((run) => !state.skipped.has(run.run)) ?? open[0] ?? null;
};

// The text of a step in the log. Equal steps of one list are told apart by a number.
const stepText = (steps, i, section) => {
  const before = steps.slice(0, i).filter((step) => step === steps[i]).length;
  return [...`${section}: ${oneLine(steps[i])}${before ? ` (${before + 1})` : ""}`].slice(0, 900).join("");
};

const stepsOf = (list, section, run) => list.map((words, i) => ({ words, run, text: stepText(list, i, section) }));

const allTicked = (state, steps) => steps.every((step) => state.isTicked(step.run, step.text));

const startSteps = (study) => [
  ...stepsOf([study.notice], "read", null),
  ...stepsOf(study.cautions, "caution", null),
  ...stepsOf(study.named.map((n) => `${plain(n.factor)} ${n.level}: ${[n.description, n.serial && `serial ${n.serial}`].filter(Boolean).join(", ")} is at hand`), "at hand", null),
  ...stepsOf(study.before_study, "before the study", null),
];

const cleaningSteps = (study, made) => made.leaves.flatMap((clean) => {
  const section = `cleaning after run ${made.run}`;
  const washes = Array.from({ length: clean.wash_out }, (_, i) => `Wash-out reading ${i + 1} of ${clean.wash_out} on ${clean.wash_out_on}: read it and write it nowhere.`);
  return stepsOf([...clean.steps, ...washes], section, made.run);
});

// The parts that are set up anew: whatever stands inside a changed unit starts anew.
const partsDue = (state, run) => {
  const made = state.study.runs.find((other) => other.run === state.lastMade);
  if (!made) return run.parts;
  const first = run.parts.findIndex((part, i) => part.number !== made.parts[i].number);
  return first < 0 ? [] : run.parts.slice(first);
};

const partSteps = (run, part) => {
  const section = `${part.unit} ${part.number}`;
  const settings = part.settings.map((s) => `${plain(s.name)} ${s.value}${s.note ? `, ${s.note}` : ""}${s.how ? `. ${s.how}` : ""}`);
  const list = [...settings, ...part.steps];
  if (list.length === 0) list.push(`${capital(plain(part.unit))} ${part.number}${part.label ? ` (${part.label})` : ""} is in place.`);
  return stepsOf(list, section, run.run);
};

const isPartDone = (state, run, part) => allTicked(state, partSteps(run, part))
  && part.conditions.every((condition) => state.isFilled(String(run.run), condition.name));

// Minutes still to wait after setting up, with the time at which waiting ends; null if none.
const waitFor = (state, run, parts, now) => {
  let ends = 0;
  let minutes = 0;
  for (const part of parts) {
    const wait = state.study.waits.find((w) => w.unit === part.unit);
    if (!wait) continue;
    const ticks = partSteps(run, part).map((step) => state.ticked.get(`${run.run}|${step.text}`)).filter(Boolean).sort();
    const end = new Date(ticks[ticks.length - 1]).getTime() + wait.minutes * 60000;
    if (end > ends) [ends, minutes] = [end, wait.minutes];
  }
  if (ends <= now.getTime() || state.isTicked(run.run, "waiting was cut short")) return null;
  return { ends: new Date(ends), minutes };
};

// The next piece of work.
const nextWork = (state, now = new Date()) => {
  const { study } = state;
  if (!state.operator) return { kind: "operator" };
  if (!allTicked(state, startSteps(study))) return { kind: "start" };
  const run = nextRun(state);
  const isOpen = run && state.lastMade === run.run;
  if (run && state.skipped.has(run.run)) return { kind: "skipped", run };
  const made = study.runs.find((other) => other.run === state.lastMade);
  if (!isOpen && made && made.run !== run?.run && !allTicked(state, cleaningSteps(study, made))) {
    return { kind: "cleaning", made, next: run };
  }
  const before = run ? study.runs.indexOf(run) : study.runs.length;
  // Those between the run made last here and the next one: earlier ones may be another device's. In the end, all that are open.
  const from = made ? study.runs.indexOf(made) : before - 1;
  const isDue = (row) => !run || (row.after > from && row.after <= before);
  const control = study.controls.find((row) => isDue(row) && !controlPlaces(row).every((what) => state.isFilled(row.row, what)));
  if (!isOpen && control) return { kind: "control", control };
  if (!run) return state.ended ? { kind: "done" } : { kind: "end" };
  if (!isOpen) {
    const parts = partsDue(state, run);
    const part = parts.find((p) => !isPartDone(state, run, p));
    if (part) return { kind: "part", run, part };
    const wait = waitFor(state, run, parts, now);
    if (wait) return { kind: "wait", run, wait };
  }
  return { kind: "run", run };
};

const controlPlaces = (row) => row.boxes.map((k) => `control ${k}`);

// The settings of a run, each with what it was in the run made before.
const settingsOf = (state, run) => {
  const made = state.study.runs.find((other) => other.run === state.lastMade && other.run !== run.run)
    ?? state.study.runs.find((other) => other.run === madeBefore(state, run));
  return run.settings.map((setting) => {
    const before = made?.settings.find((other) => other.name === setting.name)?.value ?? "";
    return { ...setting, before, changed: before !== setting.value };
  });
};

// The run begun before this one at this bench.
const madeBefore = (state, run) => {
  const begun = [...state.begun.keys()];
  const at = begun.indexOf(run.run);
  return at < 0 ? begun[begun.length - 1] : begun[at - 1];
};
