// SHA-256 of a text in UTF-8, as lower-case hexadecimal (FIPS 180-4). The browser's own is there only on pages from a
// secure place, which a page from a server on the local network is not.
const sha256 = (() => {
  const primes = [];
  for (let n = 2; primes.length < 64; n += 1) if (primes.every((p) => n % p !== 0)) primes.push(n);
  const fraction = (x) => Math.floor((x - Math.floor(x)) * 4294967296);
  const start = primes.slice(0, 8).map((p) => fraction(Math.sqrt(p)));
  const constants = primes.map((p) => fraction(Math.cbrt(p)));
  const turn = (x, n) => (x >>> n) | (x << (32 - n));

  return (text) => {
    const bytes = new TextEncoder().encode(text);
    const length = bytes.length;
    const padded = new Uint8Array(((length + 8) >> 6) * 64 + 64);
    padded.set(bytes);
    padded[length] = 0x80;
    const view = new DataView(padded.buffer);
    view.setUint32(padded.length - 8, Math.floor(length / 536870912));
    view.setUint32(padded.length - 4, (length << 3) >>> 0);
    const hash = Uint32Array.from(start);
    const w = new Uint32Array(64);
    for (let at = 0; at < padded.length; at += 64) {
      for (let i = 0; i < 16; i += 1) w[i] = view.getUint32(at + 4 * i);
      for (let i = 16; i < 64; i += 1) {
        const [a, b] = [w[i - 15], w[i - 2]];
        const s0 = turn(a, 7) ^ turn(a, 18) ^ (a >>> 3);
        const s1 = turn(b, 17) ^ turn(b, 19) ^ (b >>> 10);
        w[i] = w[i - 16] + s0 + w[i - 7] + s1;
      }
      let [a, b, c, d, e, f, g, h] = hash;
      for (let i = 0; i < 64; i += 1) {
        const s1 = turn(e, 6) ^ turn(e, 11) ^ turn(e, 25);
        const one = (h + s1 + ((e & f) ^ (~e & g)) + constants[i] + w[i]) | 0;
        const s0 = turn(a, 2) ^ turn(a, 13) ^ turn(a, 22);
        const two = (s0 + ((a & b) ^ (a & c) ^ (b & c))) | 0;
        [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
      }
      [a, b, c, d, e, f, g, h].forEach((x, i) => { hash[i] += x; });
    }
    return Array.from(hash, (x) => x.toString(16).padStart(8, "0")).join("");
  };
})();
