/* Talking to the engine. Acts go one after the other, in the order in which they were done. */

export class Refused extends Error {}

async function answer(response) {
  const body = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refused(body.error || `${response.status}`);
  return body;
}

export async function get(path) {
  return answer(await fetch(path, { cache: "no-store" }));
}

const waiting = []; // acts that were done and not yet sent
let sending = false;

async function send({ path, body }) {
  return answer(
    await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Chaffinch": "1" },
      body: JSON.stringify(body),
      keepalive: true, // a page that is closed right after a key still saves
    }),
  );
}

async function sendAll() {
  if (sending) return;
  sending = true;
  for (let job; (job = waiting.shift());) await send(job).then(job.done, job.failed);
  sending = false;
}

export function post(path, body) {
  return new Promise((done, failed) => {
    waiting.push({ path, body, done, failed });
    sendAll();
  });
}

/* Nobody waits for answers any more: what is left goes out at once. */
addEventListener("pagehide", () => {
  for (const job of waiting.splice(0)) send(job).then(job.done, job.failed);
});

const pause = (ms) => new Promise((done) => setTimeout(done, ms));

/* A tab that is not seen asks nothing: a browser has few connections to share among tabs. */
const seen = () =>
  new Promise((done) => {
    if (document.visibilityState === "visible") return done();
    document.addEventListener("visibilitychange", () => done(seen()), { once: true });
  });

/* Waits for changes by anybody, for ever. `since` gives the version that is known, `lost` hears whether the
   engine answers. */
export async function follow(since, changed, lost) {
  for (let wait = 500; ;) {
    try {
      await seen();
      const news = await get(`api/changes?since=${since()}`);
      if (wait > 500) lost(false);
      wait = 500;
      await changed(news);
    } catch (problem) {
      lost(true, problem);
      await pause(wait);
      wait = Math.min(wait * 2, 8000);
    }
  }
}
