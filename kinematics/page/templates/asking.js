// Questions to the program behind the page: numbered, so that an answer that a newer question has overtaken is dropped.

const tab = Array.from(crypto.getRandomValues(new Uint32Array(3)), (one) => one.toString(36)).join("");
const numbers = new Map();
const running = new Map();

export class Refused extends Error {
  constructor(findings) {
    super(findings.join(" "));
    this.findings = findings;
  }
}

export class Gone extends Error {}

// The document that an address answers; null where it was overtaken meanwhile.
export async function ask(about, parameters, restless = true) {
  const number = (numbers.get(about) ?? 0) + 1;
  numbers.set(about, number);
  if (restless) running.get(about)?.abort();
  const stopper = new AbortController();
  running.set(about, stopper);
  const query = new URLSearchParams(parameters);
  query.append("tab", tab);
  query.append("number", String(number));
  try {
    const response = await answered(`/${about}?${query}`, { signal: stopper.signal });
    if (response.status === 409) return null;
    const document = await response.json();
    return numbers.get(about) === number ? document : null;
  } catch (error) {
    if (error.name === "AbortError" || numbers.get(about) !== number) return null;
    throw error;
  }
}

// A response; throws Refused with what was found, Gone where nobody answers.
export async function answered(address, options = {}) {
  let response;
  try {
    response = await fetch(address, { cache: "no-store", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Gone();
  }
  if (response.ok || response.status === 409) return response;
  let findings = [`the program answered with ${response.status}`];
  try {
    findings = (await response.json()).findings ?? findings;
  } catch {
    // an answer without words of its own
  }
  throw new Refused(findings);
}

export async function drop(file) {
  const response = await answered(`/jobs?${new URLSearchParams({ name: file.name })}`, { method: "POST", body: file });
  return response.json();
}
