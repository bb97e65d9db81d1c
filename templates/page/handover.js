// The results file: written here, taken in by `wellrun record`. And the file of another device, shown here.

const waiting = () => app.lines.length - app.handedOver;

const resultsName = () => `${app.study.plan.study}-${app.device}-${app.lines.length}.results.jsonl`;

const handOverDialog = () => {
  const logs = [{ head: app.head, lines: app.lines }, ...app.others];
  const text = resultsText(logs);
  const address = URL.createObjectURL(new Blob([text], { type: "application/x-ndjson" }));
  const written = async () => {
    await app.store.handOver(app.lines.length);
    app.handedOver = app.lines.length;
    say(`The results file is written: ${resultsName()}.`);
    showHead();
  };
  const other = el("input", {
    type: "file",
    accept: ".jsonl,application/x-ndjson",
    onchange: async () => {
      const told = await takeOther(other.files[0]).catch((error) => error.message);
      note.textContent = told;
    },
  });
  const note = el("p", { role: "status" });
  const plain = el("textarea", { rows: 4, readonly: true, value: text, "aria-label": "Results as text" });
  openDialog("Hand over", [
    el("p", {}, `This device is ${app.device}. It holds ${count(app.lines.length, "entry", "entries")}; ${waiting() === 0 ? "all of them stand in a file that was written" : `${waiting()} are in no file yet`}.`),
    el("p", {}, el("a", { class: "button main", href: address, download: resultsName(), onclick: written, "data-first": true }, "Write the results file")),
    el("p", { class: "quiet" }, "Bring it to the study's folder and run: wellrun record STUDY FILE. The same file twice adds nothing. The page keeps everything."),
    el("details", {}, el("summary", {}, "If no file can be written here"), plain, button("Copy", async () => {
      plain.select();
      try {
        await navigator.clipboard.writeText(text);
      } catch {
        document.execCommand("copy");
      }
      note.textContent = "Copied. Save it as a text file that ends in .jsonl.";
    })),
    el("details", {}, el("summary", {}, "Show what another device did"),
      el("p", { class: "quiet" }, "Choose its results file: its runs count as done here, and its entries go along with the file written here."),
      field("Results file of another device", other)),
    note,
  ], null, () => null);
};

// Shows the work of other devices here.
const takeOther = async (file) => {
  if (!file) return "";
  if (file.size > 64 * 1024 * 1024) throw new Error("That is too large to be a results file.");
  const logs = readResults(await file.text(), app.study.plan);
  let taken = 0;
  for (const log of logs.filter((l) => l.device !== app.device)) {
    const known = app.others.find((o) => o.device === log.device);
    if (known && known.lines.length >= log.lines.length) continue;
    if (known && known.lines.some((line, i) => line !== log.lines[i])) throw new Error(`Device ${log.device} wrote something else before.`);
    await app.store.keepOther(log);
    app.others = [...app.others.filter((o) => o.device !== log.device), log];
    taken += 1;
  }
  rebuild();
  render({ quiet: true });
  return taken > 0 ? `Taken in: ${count(taken, "device")}.` : "There is nothing new in it.";
};
