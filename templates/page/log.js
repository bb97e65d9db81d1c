// The log of one device: a line that says what it is about, then one line an event, each with the hash of the line
// before. `wellrun record` checks the same chain. The keys stand in the order in which the journal writes them.

const FORM = 1;

const headLine = (plan, device) => JSON.stringify({
  wellrun_results: FORM,
  study: plan.study,
  version: plan.version,
  protocol_sha256: plan.protocol_sha256,
  plan_sha256: plan.plan_sha256,
  site: plan.site,
  device,
});

// Keys of each kind of event, in order; those that are not given are left out.
const EVENT_KEYS = {
  reading: ["run", "response", "reading", "text"],
  condition: ["run", "condition", "text"],
  note: ["run", "what", "text"],
  correction: ["run", "what", "from", "to", "reason"],
  missing: ["run", "what", "reason", "why"],
  deviation: ["run", "what"],
  control: ["control", "row", "what", "text", "from", "reason"],
  course: ["run", "what", "text"],
  asked: ["row", "what", "text", "why", "answer"],
};

const eventLine = (n, prev, event) => {
  const line = { n, prev, at: event.at, kind: event.kind };
  for (const key of [...EVENT_KEYS[event.kind], "by", "with"]) {
    if (event[key] !== undefined && event[key] !== "") line[key] = event[key];
  }
  return JSON.stringify(line);
};

const endLine = (count, prev) => JSON.stringify({ end: count, prev });

// The file that is handed over: one log after the other.
const resultsText = (logs) => logs
  .map(({ head, lines }) => {
    const all = [head, ...lines];
    return `${all.join("\n")}\n${endLine(lines.length, sha256(all[all.length - 1]))}\n`;
  })
  .join("");

// Reads a results file back; throws with a sentence if it is not whole, or not of this study.
const readResults = (text, plan) => {
  const logs = [];
  let log = null;
  let prev = "";
  for (const line of text.split(/\r?\n/u)) {
    if (line === "") continue;
    let read;
    try {
      read = JSON.parse(line);
    } catch {
      throw new Error("This is not a whole results file.");
    }
    if (read.wellrun_results !== undefined) {
      if (log) throw new Error("The file is cut off.");
      if (headLine(plan, read.device) !== line) throw new Error("These results belong to another study or plan.");
      log = { device: read.device, head: line, lines: [] };
      prev = sha256(line);
    } else if (!log) {
      throw new Error("This is not a results file.");
    } else if (read.end !== undefined) {
      if (read.end !== log.lines.length || read.prev !== prev) throw new Error("Lines of the file are missing.");
      logs.push(log);
      log = null;
    } else {
      if (read.prev !== prev || read.n !== log.lines.length + 1) throw new Error("The file was changed.");
      log.lines.push(line);
      prev = sha256(line);
    }
  }
  if (log || logs.length === 0) throw new Error("The file is cut off.");
  return logs;
};
