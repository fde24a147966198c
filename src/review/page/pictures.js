/* Decoded pictures, kept up to a bound. What is looked at is fetched first; what may be looked at next waits
   until nothing else is wanted, and is forgotten when another place is looked at. */
const BOUND_PX = 96e6,
  AT_ONCE = 4;

const kept = new Map(); // address -> { bitmap, px }, the longest unused first
const coming = new Map(); // address -> promise
let urgent = [],
  later = [],
  running = 0,
  heldPx = 0;

/* The bitmap if it is here, else null. */
export function ready(address) {
  const entry = kept.get(address);
  if (!entry) return null;
  kept.delete(address);
  kept.set(address, entry);
  return entry.bitmap;
}

function keep(address, bitmap) {
  const px = bitmap.width * bitmap.height;
  kept.set(address, { bitmap, px });
  heldPx += px;
  for (const [old, entry] of kept) {
    if (heldPx <= BOUND_PX || old === address) break;
    kept.delete(old);
    heldPx -= entry.px;
  }
  return bitmap;
}

async function fetchPicture(address) {
  const response = await fetch(address);
  if (!response.ok) throw new Error(`${response.status}`);
  return keep(address, await createImageBitmap(await response.blob()));
}

function pump() {
  while (running < AT_ONCE && (urgent.length || later.length)) {
    const job = urgent.length ? urgent.shift() : later.shift();
    running++;
    fetchPicture(job.address)
      .then(job.done, job.failed)
      .finally(() => {
        running--;
        coming.delete(job.address);
        pump();
      });
  }
}

function enqueue(list, address) {
  const promise = new Promise((done, failed) => list.push({ address, done, failed }));
  promise.catch(() => {});
  coming.set(address, promise);
  pump();
  return promise;
}

/* A promise of the bitmap; rejected where the frame has no such picture. */
export function load(address) {
  const bitmap = ready(address);
  if (bitmap) return Promise.resolve(bitmap);
  const waiting = later.findIndex((job) => job.address === address);
  if (waiting >= 0) (urgent.push(...later.splice(waiting, 1)), pump());
  return coming.get(address) || enqueue(urgent, address);
}

/* Replaces the list of what may be wanted next. */
export function expect(addresses) {
  for (const job of later) coming.delete(job.address);
  later = [];
  for (const address of addresses) if (!kept.has(address) && !coming.has(address)) enqueue(later, address);
}

export const small = (id) => `picture/${id}/small`;
export const whole = (id) => `picture/${id}/whole`;
export const cropAddress = (id, c) => `picture/${id}/crop/${c.x},${c.y},${c.w},${c.h}`;
