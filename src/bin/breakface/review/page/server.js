// Talking to the server: token, errors in plain words, actions one after the other, pictures kept while there is room.

const token = new URLSearchParams(location.search).get("token") ?? "";
const KEPT = 400;
const kept = new Map();

export class ServerError extends Error {}

async function ask(path, options = {}) {
  let answer;
  try {
    answer = await fetch(path, { ...options, headers: { "X-Breakface-Token": token, ...options.headers } });
  } catch {
    throw new ServerError("The server does not answer. Start “breakface review” again and open the new address; every decision so far is kept.");
  }
  if (answer.ok) return answer;
  let reason = `the server answered ${answer.status}`;
  try {
    reason = (await answer.json()).error ?? reason;
  } catch { /* not JSON: the status has to do */ }
  throw new ServerError(reason[0].toUpperCase() + reason.slice(1) + ".");
}

export const get = async (path) => (await ask(path)).json();

let line = Promise.resolve();

/** Posts one after the other, in the order of the calls. */
export function post(path, body = {}) {
  const turn = line.then(async () => {
    const options = { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) };
    return (await ask(path, options)).json();
  });
  line = turn.catch(() => {});
  return turn;
}

/** A picture of the server as a blob address; the same one again while it is kept. */
export function picture(path) {
  const known = kept.get(path);
  if (known) {
    kept.delete(path);
    kept.set(path, known);
    return known;
  }
  const wanted = ask(path).then((a) => a.blob()).then((b) => URL.createObjectURL(b));
  kept.set(path, wanted);
  wanted.catch(() => kept.delete(path));
  if (kept.size > KEPT) {
    const [oldest, address] = kept.entries().next().value;
    kept.delete(oldest);
    address.then((a) => setTimeout(() => URL.revokeObjectURL(a), 60_000), () => {});
  }
  return wanted;
}
