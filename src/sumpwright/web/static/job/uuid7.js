// UUID version 7 (RFC 9562): made on the device, sorted by time.

let last = 0;
let count = 0;

/** Make an id; those made within one millisecond still sort in the order they were made. */
export function uuid7(now = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  if (now > last) {
    last = now;
    count = ((bytes[6] & 0x07) << 8) | bytes[7];
  } else {
    count += 1;
    if (count > 0xfff) {
      last += 1;
      count = 0;
    }
  }
  for (let place = 0; place < 6; place += 1) {
    bytes[place] = Math.floor(last / 2 ** (8 * (5 - place))) & 0xff;
  }
  bytes[6] = 0x70 | (count >> 8);
  bytes[7] = count & 0xff;
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)]
    .join("-");
}
