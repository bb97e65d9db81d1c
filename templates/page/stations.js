// The views, one for each kind of work. Each gives the elements of the main part.

const heading = (words, small) => el("h2", { id: "here", tabindex: -1 }, small && el("small", {}, small), words);

// Steps to tick. A tick is saved with its time and stays.
const tickList = (steps, before) => el("ul", { class: "ticks" }, steps.map((step) => {
  const isTicked = app.state.isTicked(step.run, step.text);
  const box = el("input", {
    type: "checkbox",
    checked: isTicked,
    "data-todo": !isTicked,
    "aria-disabled": isTicked ? "true" : null,
    onclick: async (event) => {
      if (isTicked) {
        event.preventDefault();
        return;
      }
      box.checked = false;
      await record(...(before ? before() : []), { kind: "course", run: step.run ?? undefined, what: "step", text: step.text });
    },
  });
  return el("li", {}, el("label", { class: isTicked ? "ticked" : "" }, box, el("span", {}, capital(step.words), step.badge && el("span", { class: "badge" }, step.badge))));
}));

const settingList = (settings) => el("ul", { class: "settings" }, settings.map((s) => el("li", { class: s.changed ? "changed" : "stays" },
  el("span", { class: "name" }, plain(s.name)),
  el("b", {}, s.value),
  s.note && el("span", { class: "note" }, s.note),
  s.changed && el("span", { class: "badge" }, s.before ? `changed, was ${s.before}` : "new"),
  s.changed && s.here && s.how && el("span", { class: "how" }, s.how))));

// A place to write to, with all that is said of it.
const placeOf = (run, what) => {
  const row = String(run.run);
  const condition = app.study.conditions.find((c) => c.name === what);
  if (condition) return { row, what, words: `${plain(what)} of run ${row}`, unit: condition.unit, possible: condition.possible, condition };
  const place = readingPlaces(app.study).find((p) => p.what === what);
  return { ...place, row, words: `${plain(what)} of run ${row}`, unit: place.response.unit, possible: place.response.possible };
};

const controlPlaceOf = (row, what) => {
  const [name, number] = row.row.split(" ");
  const response = app.study.responses.find((r) => r.name === row.response);
  return {
    row: row.row, what, words: `${what} of ${row.row}`, unit: row.unit, possible: response.possible, response,
    control: { name, row: Number(number) },
  };
};

// The big entry: the place that comes next, or the one that was chosen.
const entryView = (places, { run, begins, make, caption }) => {
  const open = places.filter((place) => !app.state.isFilled(place.row, place.what));
  const place = open.find((p) => p.what === app.picked) ?? open[0];
  const chips = el("ol", { class: "places", "aria-label": "Values of this row" }, places.map((p) => {
    const now = app.state.value(p.row, p.what);
    const isFilled = app.state.isFilled(p.row, p.what);
    const state = isFilled ? (now.word ?? "saved") : p === place ? "now" : "open";
    const name = p.reading ? String(p.reading) : p.control ? p.what.replace("control ", "") : plain(p.what);
    const hidden = (words) => el("span", { class: "visually-hidden" }, words);
    const before = p.reading ? `${plain(p.response.name)} ` : p.control ? "control " : null;
    const after = state === "saved" ? [el("span", { "aria-hidden": "true" }, "✓"), hidden(" saved")] : [" ", state];
    return el("li", {}, button([el("span", {}, before && hidden(before), name), el("small", {}, after)], () => {
      if (isFilled) return correctionDialog(p);
      app.picked = p.what;
      render();
      return null;
    }, { class: state.replace(" ", "-"), "data-what": p.what, "aria-current": p === place ? "true" : null }));
  }));
  if (!place) return [chips];
  const seconds = place.response?.seconds ?? 0;
  const input = el("input", {
    id: "entry", type: "text", inputmode: app.keys ? "none" : "decimal", autocomplete: "off", autocapitalize: "off", spellcheck: "false",
    enterkeyhint: "next", "aria-describedby": "entry-wrong", "data-first": true,
  });
  const wrong = el("p", { id: "entry-wrong", class: "wrong", role: "alert" });
  const timer = seconds > 0 ? timerView(seconds) : null;
  const question = el("div", { class: "question", role: "group", "aria-labelledby": "question-title", hidden: true });
  const accept = async (text, asked) => {
    const event = { ...make(place, text) };
    await record(...(begins ? begins() : []), ...asked, event);
    app.picked = null;
    say(`Saved: ${plain(place.what)}, ${text}.`);
  };
  const submit = async (event) => {
    event.preventDefault();
    if (!question.hidden) return;
    wrong.textContent = "";
    if (input.value.trim() === "" && timer) {
      timer.start();
      return;
    }
    const number = readNumber(input.value);
    if (number.wrong) {
      wrong.textContent = number.wrong;
      input.select();
      return;
    }
    if (place.possible && !within(place.possible, number.value)) {
      wrong.textContent = `${number.text} cannot be. Write what the display shows; if there is no reading, choose "No value".`;
      input.select();
      return;
    }
    const now = new Date();
    const asked = [
      ...(place.control ? askOfReading(app.state, { response: { ...place.response, expected: null } }, null, number, now)
        : place.condition ? askOfCondition(place.condition, number) : askOfReading(app.state, place, run, number, now)),
      ...askOfClock(app.state, now),
    ];
    if (timer?.isRunning()) asked.push(`The reading time of ${seconds} s is not over.`);
    if (asked.length === 0) {
      await accept(number.text, []);
      return;
    }
    const why = asked.join(" ");
    const note = (answer) => [{ kind: "asked", row: place.row, what: place.what, text: number.text, why, answer }];
    input.readOnly = true;
    question.replaceChildren(
      el("h3", { id: "question-title", tabindex: -1 }, `${number.text}?`),
      ...asked.map((words) => el("p", {}, words)),
      el("div", { class: "row" },
        button("Write it again", async () => {
          await record(...note("written again"));
          say("Write the reading again.");
        }, { class: "main" }),
        button("It is what the display shows", () => accept(number.text, note("kept")))));
    question.hidden = false;
    question.querySelector("h3").focus();
  };
  const spot = run && spotOf(run, place);
  const label = place.condition ? capital(plain(place.what)) : caption(place);
  const form = el("form", { class: "entry", onsubmit: submit },
    el("label", { for: "entry" }, label, place.unit && el("span", { class: "unit" }, place.unit)),
    spot && el("p", {}, el("b", {}, `Spot: ${spot}`)),
    el("div", { class: "line" }, input, el("button", { type: "submit", class: "main" }, "Save")),
    wrong, question, timer?.view, app.keys && keypad(input, form => form.requestSubmit()));
  return [chips, form, el("div", { class: "row" },
    button("No value…", () => missingDialog({ ...place, begins: begins ? begins() : [] })),
    button(app.keys ? "Hide keys" : "Show keys", () => {
      app.keys = !app.keys;
      render();
    }))];
};

// Big keys for gloves.
const keypad = (input, submit) => el("div", { class: "keypad", role: "group", "aria-label": "Keys" },
  [..."789456123.0"].map((key) => button(key, () => {
    if (!input.readOnly) input.value += key;
    input.focus();
  }, { tabindex: -1 })),
  button("⌫", () => {
    if (!input.readOnly) input.value = input.value.slice(0, -1);
    input.focus();
  }, { "aria-label": "Delete the last digit", tabindex: -1 }),
  button("Enter", () => submit(input.form), { class: "wide main", tabindex: -1 }));

// The reading time, counted from contact.
const timerView = (seconds) => {
  let contact = null;
  let ticking = null;
  const bar = el("progress", { max: seconds, value: 0, "aria-label": "Reading time" });
  const words = el("span", { class: "left", role: "timer" }, `Read ${seconds} s after contact`);
  const tick = () => {
    const gone = (performance.now() - contact) / 1000;
    bar.value = Math.min(gone, seconds);
    if (gone < seconds) {
      words.textContent = `${Math.ceil(seconds - gone)} s`;
      return;
    }
    clearInterval(ticking);
    ticking = null;
    view.classList.add("due");
    words.textContent = "Read now";
    say("Read now.");
  };
  const start = () => {
    clearInterval(ticking);
    view.classList.remove("due");
    contact = performance.now();
    ticking = setInterval(tick, 100);
    app.stop = () => clearInterval(ticking);
    tick();
  };
  const view = el("div", { class: "timer" }, button("Contact", () => {
    start();
    document.getElementById("entry")?.focus();
  }), bar, words);
  return { view, start, isRunning: () => ticking !== null };
};

// The spot of a reading in words; null if it leaves no mark.
const spotOf = (run, place) => {
  const spot = place.mark !== null && place.mark !== undefined && run.places?.[place.mark];
  if (!spot) return null;
  const unit = (name) => (["around", "latitude"].includes(name) ? "°" : "\u00a0mm");
  return app.study.positions.coordinates.map((name, i) => `${name} ${spot.at[i]}${unit(name)}`).join(", ");
};

// The spots of the specimen: the next one, those of this run, those used before, those that are free.
const mapView = (run, places) => {
  const { positions, face, runs } = app.study;
  if (!face || !positions) return null;
  const next = places.find((p) => p.mark !== null && p.mark !== undefined && !app.state.isFilled(p.row, p.what));
  const told = next && spotOf(run, next);
  const used = new Set(runs.filter((other) => other.specimen === run.specimen).flatMap((other) => readingPlaces(app.study)
    .filter((p) => p.mark !== null && app.state.isFilled(String(other.run), p.what))
    .map((p) => other.places[p.mark].spot)));
  const picture = document.importNode(new DOMParser().parseFromString(face.svg, "image/svg+xml").documentElement, true);
  picture.removeAttribute("width");
  picture.removeAttribute("height");
  picture.querySelector("title").textContent = `Spots on the ${positions.shape}${told ? `; the next one: ${told}` : ""}`;
  const draw = (tag, given, text) => {
    const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(given)) made.setAttribute(name, value);
    if (text) made.textContent = text;
    picture.append(made);
  };
  const ring = Math.min(2.6, Math.max(1.5, face.pitch * 0.46));
  const cross = ring * 0.5;
  face.spots.forEach(([x, y], i) => {
    if (used.has(i + 1)) draw("path", { class: "used", d: `M${x - cross} ${y - cross}l${2 * cross} ${2 * cross}m0 ${-2 * cross}l${-2 * cross} ${2 * cross}` });
    else draw("circle", { class: "free", cx: x, cy: y, r: 0.3 });
  });
  run.places.forEach((own, i) => {
    if (used.has(own.spot)) return;
    const [x, y] = face.spots[own.spot - 1];
    const name = next && i === next.mark ? "next" : "own";
    const size = name === "next" ? ring * 1.25 : ring;
    draw("circle", { class: name, cx: x, cy: y, r: size });
    draw("text", { class: name, x, y: y + size * 0.5, "font-size": size * (i < 9 ? 1.5 : 1.2), "text-anchor": "middle" }, String(i + 1));
  });
  return el("figure", { class: "map" }, picture,
    el("figcaption", {}, told ? [el("b", {}, `Next spot: ${told}`), ` from the zero mark${positions.zero ? ` (${positions.zero})` : ""}. `] : "All spots of this run are used. ",
      el("span", { class: "quiet" }, `Full: next. Ring: of this run. Cross: used. Dot: free. ${capital(positions.how)}.`)));
};

const VIEWS = {
  operator() {
    const [inside, read] = operatorFields();
    const wrong = el("p", { class: "wrong", role: "alert" });
    return [heading("Who works?"), el("form", {
      class: "card",
      onsubmit: async (event) => {
        event.preventDefault();
        const { initials, wrong: said } = read();
        wrong.textContent = said ?? "";
        if (!said) await record({ kind: "course", what: "operator", text: initials, by: initials });
      },
    }, inside, wrong, el("button", { type: "submit", class: "main" }, "Begin"))];
  },

  start: () => [heading("Before the first run"), tickList(startSteps(app.study))],

  cleaning: ({ made, next }) => [
    heading("Clean", next ? `before run ${next.run}` : "after the last run"),
    el("p", {}, `After ${made.leaves.map((clean) => clean.after).join(" and ")}:`),
    tickList(cleaningSteps(app.study, made)),
  ],

  control: ({ control }) => {
    const places = controlPlaces(control).map((what) => controlPlaceOf(control, what));
    return [
      heading(capital(control.row), "control"),
      el("p", {}, control.what),
      control.level && settingList([{ name: control.factor, value: control.level, note: control.note, changed: true, before: "", here: false }]),
      entryView(places, {
        run: null,
        make: (place, text) => ({ kind: "control", control: place.control.name, row: place.control.row, what: place.what, text, with: [control.factor && `${control.factor} ${control.level}`, control.note].filter(Boolean).join(", ") }),
        caption: (place) => `${capital(plain(control.response))}, reading ${place.what.replace("control ", "")} of ${control.boxes.length}`,
      }),
      el("div", { class: "row" }, button("Remark…", () => remarkDialog({ row: control.row, control: places[0].control }))),
    ];
  },

  part: ({ run, part }) => {
    const settings = settingsOf(app.state, run);
    const steps = partSteps(run, part).map((step, i) => {
      const now = i < part.settings.length && settings.find((s) => s.name === part.settings[i].name);
      return { ...step, badge: now && (now.changed ? now.before && `changed, was ${now.before}` : "as before") };
    });
    const open = part.conditions.map((c) => placeOf(run, c.name));
    const isReady = allTicked(app.state, steps);
    return [
      heading(`Set up ${plain(part.unit)} ${part.number}${part.of ? ` of ${part.of}` : ""}${part.label ? ` (${part.label})` : ""}`, `before run ${run.run}`),
      tickList(steps),
      isReady && open.length > 0 && entryView(open, {
        run: null,
        make: (place, text) => ({ kind: "condition", run: run.run, condition: place.what, text }),
        caption: (place) => capital(plain(place.what)),
      }),
      el("div", { class: "row" }, button("Skip this run…", () => skipDialog(run))),
    ];
  },

  wait: ({ run, wait }) => {
    const left = el("output", { class: "clock", role: "timer" });
    const tick = () => {
      const seconds = Math.max(0, Math.ceil((wait.ends - new Date()) / 1000));
      left.textContent = `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
      if (seconds === 0) render();
    };
    const ticking = setInterval(tick, 1000);
    app.stop = () => clearInterval(ticking);
    tick();
    return [
      heading("Wait", `before run ${run.run}`),
      el("p", {}, `${wait.minutes} minutes after setting up, until ${clock(timeStamp(wait.ends))}.`),
      left,
      el("div", { class: "row" }, button("Start early, as a departure…", () => {
        const words = el("input", { type: "text", autocomplete: "off", "data-first": true });
        openDialog("Start early", [field("Why", words)], "Start", async () => {
          const text = oneLine(words.value);
          if (textFault(text)) return textFault(text);
          const minutes = Math.ceil((wait.ends - new Date()) / 60000);
          await record(
            { kind: "deviation", run: run.run, what: `Started ${count(minutes, "minute")} before the waiting time was over: ${text}` },
            { kind: "course", run: run.run, what: "step", text: "waiting was cut short" },
          );
          return null;
        });
      })),
    ];
  },

  skipped: ({ run }) => [
    heading(`Run ${run.run} was skipped`),
    el("p", {}, `${capital(app.state.skipped.get(run.run).replace(/\.$/u, ""))}. All other runs are done.`),
    el("div", { class: "row" },
      button(`Take run ${run.run} up now`, () => record({ kind: "course", run: run.run, what: "taken up" }), { class: "main", "data-first": true }),
      button("It cannot be done…", () => {
        const words = el("input", { type: "text", autocomplete: "off", "data-first": true });
        openDialog(`Run ${run.run} is not done`, [field("Why", words)], "Save", async () => {
          const text = oneLine(words.value);
          if (textFault(text)) return textFault(text);
          const open = app.state.runPlaces(run).filter((what) => !app.state.isFilled(String(run.run), what));
          await record(...open.map((what) => ({ kind: "missing", run: run.run, what, reason: "not done", why: text })));
          return null;
        });
      })),
  ],

  run: ({ run }) => {
    const { state, study } = app;
    const begins = () => (state.lastMade === run.run ? [] : [{ kind: "course", run: run.run, what: "begun" }]);
    const before = stepsOf([...study.before_run, ...run.steps], "before the run", run.run);
    const after = stepsOf(study.after_run, "after the run", run.run);
    const places = state.runPlaces(run).map((what) => placeOf(run, what)).filter((p) => !p.condition || run.conditions.some((c) => c.name === p.what));
    const isReady = allTicked(state, before);
    const isFull = state.isRunComplete(run);
    return [
      heading(`Run ${run.run}`, `of ${study.runs.length}`),
      el("div", { class: "columns" },
        !isReady && el("div", {}, settingList(settingsOf(state, run)), el("h3", {}, "Before the run"), tickList(before, begins)),
        el("div", { class: "doing" },
          isReady && el("p", { class: "quiet" }, run.settings.map((s) => `${plain(s.name)} ${s.value}${s.note ? ` (${s.note})` : ""}`).join(" · ")),
          isReady
            ? entryView(places, {
              run,
              begins,
              make: (place, text) => (place.condition
                ? { kind: "condition", run: run.run, condition: place.what, text }
                : { kind: "reading", run: run.run, response: place.response.name, reading: place.reading, text, with: run.with }),
              caption: (place) => `${capital(plain(place.response.name))}${place.response.readings > 1 ? `, reading ${place.reading} of ${place.response.readings}` : ""}`,
            })
            : el("p", { class: "hint" }, "Tick the steps before the run; then the readings are entered here."),
          isFull && after.length > 0 && [el("h3", {}, "After the run"), tickList(after)],
          el("div", { class: "row" },
            lastPlace(run) && button("Correct the last…", () => correctionDialog(lastPlace(run))),
            button("Remark…", () => remarkDialog({ row: run.run })),
            !isFull && button("Skip this run…", () => skipDialog(run)))),
        isReady && el("div", {},
          mapView(run, places),
          before.length > 0 && el("p", { class: "quiet" }, `${count(before.length, "step")} before the run ${before.length === 1 ? "is" : "are"} ticked.`),
          settingList(settingsOf(state, run)))),
    ];
  },

  end: () => {
    const steps = stepsOf(app.study.after_study, "after the study", null);
    return [
      heading("After the last run"),
      steps.length > 0 ? tickList(steps) : el("p", {}, "Every run has its readings, or a word that says why not."),
      allTicked(app.state, steps) && button("The work is done", () => record({ kind: "course", what: "ended" }), { class: "main", "data-first": true }),
    ];
  },

  done: () => [
    heading("The work is done"),
    el("p", {}, "Write the results file and hand it over. The page keeps everything all the same."),
    button("Hand over…", handOverDialog, { class: "main", "data-first": true }),
  ],

  paused: ({ since }) => [
    heading("Paused"),
    el("p", {}, `Since ${clock(since.at)}${since.text ? `: ${since.text}` : ""}.`),
    button("Go on", () => record({ kind: "course", what: "resumed" }), { class: "main", "data-first": true }),
  ],
};

// The place of this run that was written last at this bench.
const lastPlace = (run) => {
  const filled = app.state.runPlaces(run)
    .map((what) => ({ what, now: app.state.value(String(run.run), what) }))
    .filter(({ now }) => now && now.device === app.device);
  if (filled.length === 0) return null;
  filled.sort((a, b) => (a.now.at < b.now.at ? -1 : 1));
  return placeOf(run, filled[filled.length - 1].what);
};
