// A reading as written: the text is kept, the number only serves to ask.

const readNumber = (written) => {
  const text = written.trim();
  const plain = text.replace("\u2212", "-");
  if (/^[+-]?\d{1,18}([.,]\d{1,9})?$/u.test(plain) || /^[+-]?[.,]\d{1,9}$/u.test(plain)) {
    return { text, value: Number(plain.replace(",", ".")) };
  }
  if (text === "") return { wrong: "Nothing is written yet." };
  if (/^[+-]?\d+[.,]$/u.test(plain)) return { wrong: "There are no digits after the decimal mark." };
  if (/\d[.,' ]\d{3}[.,]/u.test(plain)) return { wrong: "Write the number without separators between thousands." };
  return { wrong: "That is not a number. Write what the display shows, without its unit." };
};

const within = (range, value) => !range || (value >= Number(range[0]) && value <= Number(range[1]));

// True if the value lies on a step of the display.
const onStep = (resolution, value) => {
  const steps = value / Number(resolution);
  return Math.abs(steps - Math.round(steps)) < 1e-6 * Math.max(1, Math.abs(steps));
};

// The value with its decimal mark moved so that it fits, or null.
const slippedMark = (range, value) => {
  if (!range || value === 0) return null;
  const moved = [0.1, 10, 0.01, 100].map((by) => value * by).find((other) => within(range, other));
  return moved === undefined ? null : Number(moved.toPrecision(12));
};

const median = (values) => {
  const sorted = [...values].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
};
