// Small parts that every view uses: elements, texts, times. Text is set as text, never as markup.

const el = (tag, given = {}, ...inside) => {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else if (name === "value" || name === "checked" || name === "disabled") made[name] = value;
    else made.setAttribute(name, value === true ? "" : String(value));
  }
  made.append(...inside.flat(3).filter((part) => part !== null && part !== undefined && part !== false));
  return made;
};

const button = (words, act, given = {}) => el("button", { type: "button", onclick: act, ...given }, words);

const count = (n, one, many = `${one}s`) => `${n} ${n === 1 ? one : many}`;

// A name as people write it.
const plain = (name) => name.replaceAll("_", " ");

const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

// A time as the log keeps it: RFC 3339 with the zone of this device.
const timeStamp = (date = new Date()) => {
  const two = (n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const zone = -date.getTimezoneOffset();
  const day = `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())}`;
  const clock = `${two(date.getHours())}:${two(date.getMinutes())}:${two(date.getSeconds())}`;
  return `${day}T${clock}${zone < 0 ? "-" : "+"}${two(zone / 60)}:${two(zone % 60)}`;
};

const clock = (stamp) => stamp.slice(11, 16);

// Names of columns, as sheets and the journal write them.
const columnOf = (response, reading) => (response.readings > 1 ? `${response.name} ${reading}` : response.name);

// What is wrong with a text that is to be kept; null if nothing. The same rules as on taking in.
const textFault = (text, longest = 1000) => {
  if (text === "") return "Write a few words.";
  if ([...text].length > longest) return `That is too long: ${longest} characters are taken.`;
  if (/^=./u.test(text) || /^@\p{L}/u.test(text) || /^[+-].*[(|!]/su.test(text)) {
    return "A text that starts like a formula is not taken. Begin with a word.";
  }
  return null;
};

// A text on one line, without characters that print nothing.
const oneLine = (text) => text
  .replace(/[\n\r\t]+/gu, " ")
  .replace(/[\p{Cc}\u200b-\u200f\u202a-\u202e\u2060-\u206f\ufeff]/gu, "")
  .replace(/\s+/gu, " ")
  .trim();
