// Talks to the server: the key of this run rides in a header, and every answer says how it went.

const STORE = "zonemap-review-key";
let key = "";

export function takeKey() {
  const given = location.hash.slice(1);
  if (given) {
    sessionStorage.setItem(STORE, given);
    // the address bar, the history and screenshots of it need not hold the key
    history.replaceState(null, "", location.pathname);
  }
  key = given || sessionStorage.getItem(STORE) || "";
}

export class Refused extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

export class Unreachable extends Error {}

async function ask(address, options = {}) {
  let answer;
  try {
    answer = await fetch(address, { ...options, headers: { ...options.headers, "X-Zonemap-Key": key } });
  } catch {
    throw new Unreachable("the server does not answer");
  }
  if (answer.ok) return answer;
  let text = `the server answered ${answer.status}`;
  try {
    text = (await answer.json()).error ?? text;
  } catch {
    // an answer that is no JSON has no better words
  }
  throw new Refused(answer.status, text);
}

export const get = async (name) => (await ask(`api/${name}`)).json();

export const post = async (name, body) =>
  (
    await ask(`api/${name}`, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
    })
  ).json();

export async function raster(layer, name) {
  const wanted = new URLSearchParams({ layer, name });
  return new Float32Array(await (await ask(`api/raster?${wanted}`)).arrayBuffer());
}
