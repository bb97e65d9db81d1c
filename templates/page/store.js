// Where events are kept. A store has
//   open()                 -> { device, lines, handedOver, others }, others being logs of other devices
//   append(n, line)        -> done once the line is safe; fails if another window wrote event n first
//   handOver(n)            -> notes that everything up to event n stands in a file
//   keepOther(log)         -> keeps the log of another device
// A store that a server keeps has the same four.

const newDevice = () => {
  const letters = "abcdefghijkmnpqrstuvwxyz23456789";
  return Array.from(crypto.getRandomValues(new Uint8Array(8)), (byte) => letters[byte % letters.length]).join("");
};

// The browser's database: on the disk before a transaction ends.
const databaseStore = (plan) => {
  const key = `${plan.study} ${plan.plan_sha256}`;
  let database = null;
  const done = (request) => new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const write = (act) => new Promise((resolve, reject) => {
    const transaction = database.transaction(["events", "facts", "others"], "readwrite", { durability: "strict" });
    transaction.oncomplete = () => resolve();
    transaction.onabort = () => reject(transaction.error);
    act(transaction);
  });
  const range = () => IDBKeyRange.bound([key], [key, []]);

  return {
    async open() {
      const request = indexedDB.open("wellrun", 1);
      request.onupgradeneeded = () => {
        for (const name of ["events", "facts", "others"]) request.result.createObjectStore(name);
      };
      database = await done(request);
      const facts = database.transaction("facts").objectStore("facts");
      let device = await done(facts.get([key, "device"]));
      if (!device) {
        device = newDevice();
        await write((t) => t.objectStore("facts").add(device, [key, "device"]));
      }
      const read = database.transaction(["events", "facts", "others"]);
      const [lines, handedOver, others] = await Promise.all([
        done(read.objectStore("events").getAll(range())),
        done(read.objectStore("facts").get([key, "handed over"])),
        done(read.objectStore("others").getAll(range())),
      ]);
      return { device, lines, handedOver: handedOver ?? 0, others };
    },
    append: (n, line) => write((t) => t.objectStore("events").add(line, [key, n])),
    handOver: (n) => write((t) => t.objectStore("facts").put(n, [key, "handed over"])),
    keepOther: (log) => write((t) => t.objectStore("others").put(log, [key, log.device])),
  };
};

// Where there is no database: the browser's store of texts.
const textStore = (plan) => {
  const key = (name) => `wellrun ${plan.study} ${plan.plan_sha256} ${name}`;
  const get = (name) => localStorage.getItem(key(name));
  const set = (name, text) => localStorage.setItem(key(name), text);
  return {
    async open() {
      if (!get("device")) set("device", newDevice());
      const lines = [];
      for (let n = 1; get(`event ${n}`) !== null; n += 1) lines.push(get(`event ${n}`));
      return {
        device: get("device"),
        lines,
        handedOver: Number(get("handed over") ?? 0),
        others: JSON.parse(get("others") ?? "[]"),
      };
    },
    async append(n, line) {
      if (get(`event ${n}`) !== null) throw new Error("Another window wrote first.");
      set(`event ${n}`, line);
    },
    async handOver(n) {
      set("handed over", String(n));
    },
    async keepOther(log) {
      const others = JSON.parse(get("others") ?? "[]").filter((other) => other.device !== log.device);
      set("others", JSON.stringify([...others, log]));
    },
  };
};

// Opens the best store there is.
const openStore = async (plan) => {
  let why = null;
  for (const make of [databaseStore, textStore]) {
    try {
      const store = make(plan);
      return { store, ...(await store.open()) };
    } catch (error) {
      why = error;
    }
  }
  throw why;
};
