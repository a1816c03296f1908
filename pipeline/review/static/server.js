// Asking the server, and what to say when it refuses.

const token = document.querySelector('meta[name="token"]')?.content ?? "";

export class Refused extends Error {
  constructor(status, told) {
    const words = [told.error ?? `the server answered ${status}`];
    if (told.expected) words.push(`expected: ${told.expected}`);
    if (told.remedy) words.push(told.remedy);
    super(words.join(". "));
    this.status = status;
    this.told = told;
  }
}

async function answer(response) {
  const told = await response.json().catch(() => ({}));
  if (!response.ok) throw new Refused(response.status, told);
  return told;
}

const unreachable = () => {
  throw new Refused(0, {
    error: "The server doesn't answer; nothing was saved",
    remedy: "Start girthstrip review again, then reload this page",
  });
};

export const ask = async (path, values = {}, signal = undefined) => {
  const query = new URLSearchParams(values).toString();
  const response = await fetch(query ? `${path}?${query}` : path, { signal }).catch((error) => {
    if (error.name === "AbortError") throw error;
    return unreachable();
  });
  return answer(response);
};

export const tell = async (path, body) => {
  const response = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json", "X-Girthstrip-Token": token },
    body: JSON.stringify(body),
  }).catch(unreachable);
  return answer(response);
};
