// What the events come to: the last valid value of every place, what is ticked, who works, where the work stands.

const placeKey = (row, what) => `${row}|${what}`;

// Words in place of a value after which the value may still come.
const isOpenWord = (word) => word === "not done" || word === "-";

class State {
  constructor(study) {
    this.study = study;
    this.values = new Map(); // place -> { text, word, at, by, device }
    this.ticked = new Map(); // "run|text" -> time
    this.begun = new Map(); // run -> time
    this.skipped = new Map(); // run -> reason
    this.chosen = []; // runs taken up by hand, the last one counts
    this.lastMade = null; // the run that was made last at this bench
    this.operator = "";
    this.paused = null;
    this.lastAt = "";
    this.lastReading = null;
    this.ended = false;
    this.asked = 0;
    this.deviations = [];
    this.conflicts = [];
  }

  // Takes in one event. `own` is false for events of another device: they fill places and say nothing of this bench.
  take(event, device, own = true) {
    const by = event.by ?? "";
    const put = (row, what, said) => {
      const key = placeKey(row, what);
      const now = this.values.get(key);
      const isChange = event.kind === "correction" || event.from !== undefined;
      const isFree = !now || (now.word && isOpenWord(now.word) && !said.word);
      if (!isFree && !(isChange && (now.text ?? now.word) === event.from)) {
        this.conflicts.push({ row, what, stands: now.text ?? now.word, other: said.text ?? said.word, device });
        return;
      }
      this.values.set(key, { ...said, at: event.at, by, device });
    };
    const asSaid = (text) => (["not done", "lost", "void", "-"].includes(text) ? { word: text } : { text });
    if (own) this.lastAt = event.at;
    switch (event.kind) {
      case "reading": {
        const response = this.study.responses.find((r) => r.name === event.response);
        if (response) put(String(event.run), columnOf(response, event.reading), { text: event.text });
        if (own) this.lastReading = { run: event.run, at: event.at };
        break;
      }
      case "condition":
        put(String(event.run), event.condition, { text: event.text });
        break;
      case "note":
        put(String(event.run), event.what, { text: event.text });
        break;
      case "missing":
        put(String(event.run), event.what, { word: event.reason });
        break;
      case "correction":
        put(String(event.run), event.what, asSaid(event.to));
        break;
      case "control":
        put(`${event.control} ${event.row}`, event.what, asSaid(event.text));
        break;
      case "deviation":
        this.deviations.push(event);
        break;
      case "asked":
        if (own) this.asked += 1;
        break;
      default:
        if (own) this.course(event);
    }
  }

  course({ run, what, text, at }) {
    if (what === "step") this.ticked.set(`${run ?? ""}|${text}`, at);
    if (what === "begun") {
      this.begun.set(run, at);
      this.lastMade = run;
    }
    if (what === "skipped") {
      this.skipped.set(run, text);
      this.chosen = this.chosen.filter((other) => other !== run);
    }
    if (what === "taken up") {
      // Between then and now something else was set up: everything before the first reading is done anew.
      this.skipped.delete(run);
      this.begun.delete(run);
      if (this.lastMade === run) this.lastMade = null;
      for (const key of [...this.ticked.keys()]) if (key.startsWith(`${run}|`)) this.ticked.delete(key);
      this.chosen.push(run);
    }
    if (what === "operator") this.operator = text;
    if (what === "paused") this.paused = { at, text };
    if (what === "resumed") this.paused = null;
    if (what === "ended") this.ended = true;
  }

  value(row, what) {
    return this.values.get(placeKey(row, what));
  }

  isTicked(run, text) {
    return this.ticked.has(`${run ?? ""}|${text}`);
  }

  // True if nothing has to be written there any more.
  isFilled(row, what) {
    const now = this.value(row, what);
    return Boolean(now) && (now.text !== undefined || !isOpenWord(now.word) || now.word === "not done");
  }

  runPlaces(run) {
    const own = run.conditions.map((condition) => condition.name);
    return [...own, ...readingPlaces(this.study).map((place) => place.what)];
  }

  isRunComplete(run) {
    return this.runPlaces(run).every((what) => this.isFilled(String(run.run), what));
  }

  isRunUntouched(run) {
    return !this.begun.has(run.run) && this.runPlaces(run).every((what) => !this.value(String(run.run), what));
  }
}

// The readings of a run, in order: response, number, column, and which mark on the specimen it leaves.
const readingPlaces = (study) => {
  let mark = 0;
  return study.responses.flatMap((response) =>
    Array.from({ length: response.readings }, (_, i) => {
      const leaves = Boolean(study.marks && study.marks.includes(response.name));
      const place = { response, reading: i + 1, what: columnOf(response, i + 1), mark: leaves ? mark : null };
      mark += leaves ? 1 : 0;
      return place;
    }));
};
