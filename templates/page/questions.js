// Questions that are put before a value is taken. None names a limit, a mean or an earlier value, so that nobody reads
// towards it; none stands in the way for good: "It is what the display shows" always goes on, and is logged.
//
// Each rule has its twin in `record/patterns.rs`, which asks the same of whatever comes in another way.

// Readings that are needed before a rule may speak.
const ENOUGH = { jump: 30, digits: 50 };

// The numbers of a response read here so far, by run.
const readBefore = (state, response) => {
  const runs = new Map();
  for (const run of state.study.runs) {
    const numbers = [];
    for (let k = 1; k <= response.readings; k += 1) {
      const now = state.value(String(run.run), columnOf(response, k));
      if (now?.text !== undefined) numbers.push(readNumber(now.text).value);
    }
    if (numbers.length > 0) runs.set(run.run, numbers);
  }
  return runs;
};

const askOfReading = (state, place, run, number, now) => {
  const { response } = place;
  const asked = [];
  if (!within(response.expected, number.value)) {
    const moved = slippedMark(response.expected, number.value);
    asked.push(moved === null
      ? "That is outside what is usual."
      : `That is outside what is usual. Is the decimal mark in its place, or should it read ${moved}?`);
  }
  if (!onStep(response.resolution, number.value)) {
    asked.push(`The display shows steps of ${response.resolution} ${response.unit}.`);
  }
  if (/,\d{3}$/u.test(number.text)) asked.push("Is the comma the decimal mark?");
  const fits = (other) => other.expected && within(other.expected, number.value);
  if (response.expected && !within(response.expected, number.value)) {
    const other = [...state.study.responses, ...state.study.conditions].find((o) => o.name !== response.name && fits(o));
    if (other) asked.push(`It would be usual for ${other.name}. Is it in the right place?`);
  }
  if (run) asked.push(...askOfCourse(state, place, run, number.value, now));
  return asked;
};

const askOfCourse = (state, place, run, value, now) => {
  const { response } = place;
  const asked = [];
  const runs = readBefore(state, response);
  const own = runs.get(run.run) ?? [];
  const all = [...runs.values()].flat();
  const last = state.lastReading;
  if (last && last.run === run.run && response.readings > 1) {
    const seconds = (now - new Date(last.at)) / 1000;
    if (seconds < Math.max(1, response.seconds ?? 0)) asked.push("That came very soon after the last reading. Was it read anew?");
  }
  if (response.readings > 2 && own.length === response.readings - 1) {
    const whole = [...own, value];
    const isVaried = new Set(whole).size > 1;
    const twin = [...runs].find(([other, numbers]) => other !== run.run && numbers.join() === whole.join());
    if (isVaried && twin) asked.push(`These are the very readings of run ${twin[0]}, in the same order.`);
    const alike = [...runs.values()].filter((numbers) => numbers.length === response.readings && new Set(numbers).size === 1);
    if (!isVaried && whole.length > 4 && 2 * alike.length < runs.size) asked.push("All readings of this run are the same.");
  }
  if (all.length >= ENOUGH.jump && own.length > 1) {
    const away = [...runs.values()].filter((n) => n.length > 1).flatMap((n) => n.map((x) => Math.abs(x - median(n))));
    const spread = Math.max(1.4826 * median(away), Number(response.resolution));
    if (Math.abs(value - median(own)) > 8 * spread) asked.push("That is far from the other readings of this run.");
  }
  if (all.length >= ENOUGH.digits && all.length % ENOUGH.digits === 0) {
    const steps = all.map((x) => Math.round(x / Number(response.resolution)));
    const isWide = Math.max(...steps) - Math.min(...steps) >= 20;
    const share = steps.filter((step) => step % 5 === 0).length / steps.length;
    if (isWide && share > 0.2 + 4 * Math.sqrt(0.16 / steps.length)) {
      asked.push("Many readings end in 0 or 5. Is every digit read, rather than rounded?");
    }
  }
  return asked;
};

const askOfCondition = (condition, number) => (within(condition.expected, number.value)
  ? []
  : [slippedMark(condition.expected, number.value) === null
    ? "That is outside what is usual."
    : "That is outside what is usual. Is the decimal mark in its place?"]);

// A clock that was set back: asked once, whatever is written.
const askOfClock = (state, now) => (state.lastAt && now < new Date(state.lastAt) - 60000
  ? ["The clock of this device shows an earlier time than before. Is its time right?"]
  : []);
