// The page: opens the store, shows the work, saves each entry before it shows as done.

const app = {
  study: JSON.parse(document.getElementById("study").textContent),
  store: null, device: "", head: "", lines: [], prev: "", others: [], handedOver: 0,
  state: null, work: {}, picked: null, stop: null,
  keys: window.matchMedia("(pointer: coarse)").matches,
  queue: Promise.resolve(),
};

// What the lines come to.
const rebuild = () => {
  app.state = new State(app.study);
  for (const line of app.lines) app.state.take(JSON.parse(line), app.device);
  for (const other of app.others) for (const line of other.lines) app.state.take(JSON.parse(line), other.device, false);
};

const load = async () => {
  Object.assign(app, await openStore(app.study.plan));
  app.head = headLine(app.study.plan, app.device);
  app.prev = sha256(app.lines[app.lines.length - 1] ?? app.head);
  rebuild();
};

// Saves events, one after the other, and shows what comes next. What is not safe does not show as done.
const record = (...events) => {
  app.queue = app.queue.then(() => write(events));
  return app.queue;
};

const write = async (events) => {
  try {
    for (const event of events) {
      const whole = { at: timeStamp(), by: app.state.operator, ...event };
      const n = app.lines.length + 1;
      const line = eventLine(n, app.prev, whole);
      await app.store.append(n, line);
      app.lines.push(line);
      app.prev = sha256(line);
      app.state.take(whole, app.device);
    }
  } catch (error) {
    alarm(`This was not saved: ${error?.message ?? error}. Write it again; if it happens again, go on with the printed sheet.`);
    await load().catch(() => null);
  }
  render();
};

// Said to screen readers, and shown for a while.
const say = (words) => {
  const said = document.getElementById("said");
  said.textContent = words;
  said.getAnimations().forEach((old) => old.cancel());
  said.animate([{ opacity: 1 }, { opacity: 1, offset: 0.95 }, { opacity: 0 }], { duration: 6000, fill: "forwards" });
};

const alarm = (words) => {
  document.getElementById("alarm").textContent = words;
};

const focusWork = () => {
  const place = document.querySelector("#work [data-first]") ?? document.querySelector("#work [data-todo]") ?? document.getElementById("here");
  place?.focus();
};

// The line on top: where the work stands, and what is saved.
const showHead = () => {
  const { state, study } = app;
  const done = study.runs.filter((run) => state.isRunComplete(run)).length;
  const left = waiting();
  document.getElementById("head").replaceChildren(
    el("div", { class: "identity" },
      el("h1", {}, study.study.title),
      el("p", { class: "quiet" }, [study.study.id, study.site.name, `plan ${study.plan_hash}`].filter(Boolean).join(" · "),
        study.blinded && el("b", { class: "badge" }, "blinded: levels are codes"),
        study.rehearsal && el("b", { class: "badge" }, "REHEARSAL: not a record"))),
    el("div", { class: "progress" },
      el("label", { for: "progress" }, `${done} of ${count(study.runs.length, "run")} done${state.skipped.size ? `, ${state.skipped.size} skipped` : ""}`),
      el("progress", { id: "progress", max: study.runs.length, value: done })),
    el("p", { class: left ? "kept left" : "kept" }, app.lines.length === 0
      ? "Nothing is entered yet."
      : `${count(app.lines.length, "entry", "entries")} saved on this device. ${left ? `Not handed over yet: ${left}.` : "All handed over."}`,
    state.conflicts.length > 0 && el("b", { class: "badge" }, count(state.conflicts.length, "place has two values", "places have two values"))));
  document.getElementById("always").replaceChildren(...[
    state.operator && button(`Operator: ${state.operator}`, operatorDialog),
    state.operator && button("Departure…", () => departureDialog(app.work.run)),
    state.operator && !state.paused && button("Pause…", pauseDialog),
    button("All runs…", runsDialog),
    button("Hand over…", handOverDialog),
  ].filter(Boolean));
};

const render = ({ quiet = false } = {}) => {
  app.stop?.();
  app.stop = null;
  app.work = app.state.paused ? { kind: "paused", since: app.state.paused } : nextWork(app.state);
  showHead();
  document.getElementById("work").replaceChildren(...[VIEWS[app.work.kind](app.work)].flat(3).filter((part) => part instanceof Node));
  document.title = `${app.work.run ? `Run ${app.work.run.run}` : capital(app.work.kind)} · ${app.study.study.id}`;
  if (!quiet && !document.querySelector("dialog[open]")) focusWork();
};

// A gauge that types goes on typing wherever the focus is.
document.addEventListener("keydown", (event) => {
  const entry = document.getElementById("entry");
  const isElsewhere = !document.activeElement?.closest("input, select, textarea, dialog, .question");
  if (entry && isElsewhere && !event.ctrlKey && !event.metaKey && !event.altKey && /^[\d.,+-]$/u.test(event.key)) entry.focus();
});

const begin = async () => {
  document.getElementById("page").replaceChildren(
    el("a", { class: "skip-link", href: "#work" }, "To the work"),
    el("header", { id: "head" }),
    el("p", { id: "alarm", role: "alert" }),
    el("p", { id: "said", role: "status" }),
    el("main", { id: "work", tabindex: -1 }),
    el("nav", { id: "always", class: "row", "aria-label": "At any time" }));
  try {
    await load();
  } catch (error) {
    alarm(`This browser keeps nothing for this page (${error?.message ?? error}), so readings would be lost. Use another browser, not a private window, or the printed sheet.`);
    return;
  }
  navigator.storage?.persist?.().catch(() => false);
  render();
};

begin();
