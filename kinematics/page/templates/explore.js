// The page: what is set stands in the address; every change asks for the total at once and for the rest behind it.

import { colourCauses, showCaps, showCauses, showKept, showNotes, showParts, showPrints, showWeighed, tableOf } from "/answers.js";
import { Gone, Refused, answered, ask, drop } from "/asking.js";
import { knobElement, made, numberText } from "/knobs.js";
import { drawCurve, drawLayers, durationText } from "/plots.js";

const at = (id) => document.getElementById(id);
const OWN = ["job", "keep", "knob", "layer", "by", "shown"];
const QUIET = 160; // ms without a change before all that follows the total is asked for
const USUAL_FREQUENCY = "40"; // Hz, of a filter for an axis of which nothing is known

const state = { sheet: null, jobs: [], settings: new Map(), kept: [], knob: "acceleration", layer: null, by: "binds", shown: null };
const knobs = new Map();
let present = null; // the machine as it is: {total_s, total}
let now = null; // the setting: {total_s, total}
let rest = null;
let curve = null;
let waiting = 0;
let busy = false;
let changedMeanwhile = false;

// ---- the address

function readAddress() {
  const query = new URLSearchParams(location.search);
  state.jobs = query.getAll("job");
  state.kept = query.getAll("keep");
  state.knob = query.get("knob") ?? "acceleration";
  state.layer = query.get("layer");
  state.by = query.get("by") === "speed" ? "speed" : "binds";
  state.shown = query.get("shown");
  state.settings = new Map([...query].filter(([name]) => !OWN.includes(name)));
}

function settingPairs() {
  return [...state.settings];
}

function jobPairs() {
  return state.jobs.map((number) => ["job", number]);
}

function question() {
  return [...jobPairs(), ...settingPairs()];
}

function writeAddress() {
  const pairs = [...question(), ...state.kept.map((one) => ["keep", one])];
  if (state.knob !== "acceleration") pairs.push(["knob", state.knob]);
  if (state.layer !== null) pairs.push(["layer", state.layer]);
  if (state.by !== "binds") pairs.push(["by", state.by]);
  if (state.shown !== null) pairs.push(["shown", state.shown]);
  const query = new URLSearchParams(pairs).toString();
  history.replaceState(null, "", query ? `/?${query}` : "/");
}

// ---- what goes wrong

function fail(error) {
  if (error instanceof Gone) at("gone").hidden = false;
  else if (error instanceof Refused) {
    at("refused").textContent = error.findings.join(" ");
    at("refused").hidden = false;
    at("totals").classList.add("stale");
  } else throw error;
}

function well() {
  at("gone").hidden = true;
  at("refused").hidden = true;
  at("totals").classList.remove("stale");
}

// ---- turning

function turn(name, text, but) {
  if (text === undefined) {
    addFurther(name);
    knobs.get(name)?.focus();
    return;
  }
  if (text === null) state.settings.delete(name);
  else state.settings.set(name, text);
  if (name.endsWith(".filter") && text !== null && text !== "none") {
    const frequency = `${name}_frequency_hz`;
    const known = knobs.get(frequency)?.knob.present_text !== "not given" || state.settings.has(frequency);
    if (!known) state.settings.set(frequency, USUAL_FREQUENCY);
    knobs.get(frequency)?.show(state.settings.get(frequency));
  }
  touch(name, false);
  knobs.get(name)?.show(state.settings.get(name), but);
  changed();
}

function touch(name, asks = true) {
  if (state.knob === name || !knobs.get(name) || knobs.get(name).knob.choices.length) return;
  state.knob = name;
  at("against").value = name;
  writeAddress();
  if (asks) askCurve();
}

function changed() {
  writeAddress();
  showSettled();
  askTotal();
}

function showSettled() {
  const any = state.settings.size > 0;
  at("keep").disabled = !any;
  at("reset").disabled = !any;
  at("total-label").textContent = any ? "with this setting" : "as it is";
  at("present-line").hidden = !any;
}

function setAll(pairs) {
  const known = [...state.sheet.knobs, ...state.sheet.further];
  state.settings = new Map(pairs.map(([name, text]) => [known.find((one) => one.key === name)?.name ?? name, text]));
  for (const name of state.settings.keys()) addFurther(name);
  for (const [name, one] of knobs) one.show(state.settings.get(name));
  changed();
}

// ---- asking: one total at a time, the newest setting next; all else once the knob rests

async function askTotal() {
  clearTimeout(waiting);
  if (busy) {
    changedMeanwhile = true;
    return;
  }
  busy = true;
  try {
    do {
      changedMeanwhile = false;
      const of = question();
      const found = await ask("total", of);
      if (found !== null && !changedMeanwhile) showTotal(found, of);
    } while (changedMeanwhile);
    well();
    waiting = setTimeout(askRest, QUIET);
  } catch (error) {
    changedMeanwhile = false;
    fail(error);
  } finally {
    busy = false;
  }
}

// `of` the question that the total answers.
function showTotal(found, of) {
  now = found;
  if (state.settings.size === 0) present = found;
  at("total").textContent = found.total;
  at("total").dataset.seconds = String(found.total_s);
  at("total").dataset.of = String(new URLSearchParams(of));
  showSaved();
  for (const one of found.jobs) {
    const line = document.querySelector(`[data-job="${one.number}"] .time`);
    if (line) line.textContent = one.total;
  }
}

function showSaved() {
  at("present").textContent = present?.total ?? "…";
  const saved = present && now && state.settings.size ? present.total_s - now.total_s : 0;
  let words = "";
  if (state.settings.size && present) {
    const share = `${((100 * Math.abs(saved)) / present.total_s).toFixed(Math.abs(saved) / present.total_s < 0.0995 ? 1 : 0)}%`;
    if (Math.abs(saved) < 0.05) words = "saves nothing";
    else words = saved > 0 ? `saves ${durationText(saved)} (${share})` : `costs ${durationText(-saved)} (${share})`;
  }
  at("saved").textContent = words;
}

async function askRest() {
  try {
    const of = question();
    const found = await ask("rest", of);
    if (found === null) return;
    rest = found;
    showCauses(found.causes, state.settings.size > 0);
    showParts(found.parts);
    showPrints(found.prints, state.settings.size > 0);
    showCaps(found.caps);
    showNotes(found.notes);
    at("command").textContent = found.command;
    for (const [name, one] of knobs) one.tell(found.knobs[name]);
    showShown(found.layers);
    await Promise.all([askLayer(), askCurve(), showLayers()]);
    at("answers").dataset.of = String(new URLSearchParams(of));
  } catch (error) {
    fail(error);
  }
}

async function askCurve() {
  if (!rest) return;
  try {
    const found = await ask("curve", [...question(), ["knob", state.knob]]);
    if (found === null) return;
    curve = found;
    await showCurve();
  } catch (error) {
    fail(error);
  }
}

async function showCurve() {
  const found = curve;
  if (!found || !found.values.length) return;
  at("curve-finding").textContent = found.finding;
  const one = knobs.get(found.knob)?.knob;
  const told = rest.knobs[found.knob];
  const alone = state.settings.size === 0 || (state.settings.size === 1 && state.settings.has(found.knob));
  const marks = [];
  if (one && one.present !== null && present && alone) marks.push({ value: one.present, total_s: present.total_s, words: "as it is" });
  const value = state.settings.has(found.knob) ? Number(state.settings.get(found.knob)) : one?.present;
  if (state.settings.size && value && now) marks.push({ value, total_s: now.total_s, words: "this setting", filled: true });
  const cap = told?.cap ? { value: told.cap, words: `cap: ${told.stopped_by}` } : null;
  await drawCurve(at("curve"), found, marks, cap);
  const unit = found.unit ? ` (${found.unit})` : "";
  tableOf(
    at("curve-table"),
    [`${found.words}${unit}`, "total"],
    found.values.map((stop, i) => [numberText(stop), durationText(found.total_s[i])]),
  );
}

const dark = matchMedia("(prefers-color-scheme: dark)");
const narrow = matchMedia("(max-width: 44rem)");

async function askLayer() {
  const pairs = [...question(), ["by", state.by]];
  if (state.layer !== null) pairs.push(["layer", state.layer]);
  if (state.shown !== null) pairs.push(["shown", state.shown]);
  if (dark.matches) pairs.push(["dark", "1"]);
  if (narrow.matches) pairs.push(["stacked", "1"]);
  try {
    const found = await ask("layer", pairs);
    if (found === null) return;
    const image = at("path");
    image.src = found.image;
    image.width = found.width;
    image.height = found.height;
    image.alt = `${found.finding}: layer ${found.layer} of ${found.layers} from above`;
    image.hidden = false;
    image.dataset.layer = String(found.layer);
    at("path-finding").textContent = found.finding;
    at("layers").textContent = `of ${found.layers}`;
    for (const id of ["layer", "layer-number"]) {
      at(id).max = String(found.layers);
      if (document.activeElement !== at(id)) at(id).value = String(found.layer);
    }
    at("layer").setAttribute("aria-valuetext", `layer ${found.layer} of ${found.layers}`);
    if (state.by === "binds") colourCauses(found.colours);
  } catch (error) {
    fail(error);
  }
}

function showShown(layers) {
  at("shown-label").hidden = layers.length < 2;
  if (!layers.some((one) => String(one.number) === state.shown)) state.shown = layers.length > 1 ? String(layers[0].number) : null;
  at("shown").replaceChildren(...layers.map((one) => made("option", { value: one.number, text: one.name })));
  if (state.shown !== null) at("shown").value = state.shown;
}

async function showLayers() {
  const layers = rest.layers.find((one) => String(one.number) === state.shown) ?? rest.layers[0];
  const element = at("layer-times");
  const none = layers.set_s.length < 2;
  element.hidden = none;
  if (none) {
    at("layers-finding").textContent = "This job has no layers: its path rises and falls while it prints.";
    return;
  }
  let best = 1;
  layers.set_s.forEach((_, i) => {
    if (i > 0 && layers.present_s[i] - layers.set_s[i] > layers.present_s[best] - layers.set_s[best]) best = i;
  });
  const gain = layers.present_s[best] - layers.set_s[best];
  let longest = 1;
  layers.set_s.forEach((one, i) => {
    if (i > 0 && one > layers.set_s[longest]) longest = i;
  });
  at("layers-finding").textContent =
    gain > 0.05
      ? `Layer ${best} gains most, ${durationText(gain)}; layer ${longest} takes longest, ${durationText(layers.set_s[longest])}`
      : `Layer ${longest} takes longest, ${durationText(layers.set_s[longest])}`;
  const shown = Number(at("path").dataset.layer ?? state.layer ?? 1);
  await drawLayers(element, layers, state.settings.size > 0, shown, pickLayer);
}

function pickLayer(number) {
  state.layer = String(number);
  at("layer").value = state.layer;
  at("layer-number").value = state.layer;
  writeAddress();
  askLayer();
}

// ---- what was kept

async function showAllKept() {
  const rows = [{ words: "as it is", total: present?.total ?? "…", saved: "", share: "" }];
  for (const text of state.kept) {
    const pairs = [...new URLSearchParams(text)];
    const words = wordsOf(pairs);
    try {
      const query = new URLSearchParams([...jobPairs(), ...pairs]);
      const found = await (await answered(`/total?${query}`)).json();
      const saved = present ? present.total_s - found.total_s : 0;
      rows.push({
        text, words, total: found.total, saved: Math.abs(saved) < 0.05 ? "nothing" : `${saved < 0 ? "−" : ""}${durationText(Math.abs(saved))}`,
        share: present ? `${((100 * saved) / present.total_s).toFixed(1)}%` : "",
      });
    } catch (error) {
      if (error instanceof Gone) fail(error);
      rows.push({ text, words, total: "not taken by this machine", saved: "", share: "" });
    }
  }
  showKept(
    rows,
    (row) => setAll([...new URLSearchParams(row.text)]),
    (row) => {
      state.kept = state.kept.filter((one) => one !== row.text);
      writeAddress();
      showAllKept();
    },
  );
}

function wordsOf(pairs) {
  const known = [...state.sheet.knobs, ...state.sheet.further];
  return pairs
    .map(([name, text]) => {
      const one = known.find((other) => other.name === name);
      const value = text.trim() !== "" && Number.isFinite(Number(text)) ? numberText(Number(text)) : text;
      const unit = one?.unit ? (one.unit === "×" ? "×" : ` ${one.unit}`) : "";
      return `${(one?.words ?? name).replace("corners: ", "")} ${value}${unit}`;
    })
    .join(", ");
}

// ---- the sheet

function addFurther(name) {
  if (knobs.has(name)) return;
  const knob = state.sheet.further.find((one) => one.name === name || one.key === name);
  if (!knob) return;
  addKnob(knob, at("further-knobs"));
  at("more").open = true;
  at("further").querySelector(`option[value="${CSS.escape(knob.name)}"]`)?.remove();
}

function addKnob(knob, where) {
  const one = knobElement(knob, turn, touch);
  knobs.set(knob.name, one);
  where.append(one.element);
  one.show(state.settings.get(knob.name));
  if (rest?.knobs[knob.name]) one.tell(rest.knobs[knob.name]);
  if (!knob.choices.length) at("against").append(made("option", { value: knob.name, text: knob.words }));
}

function showJobs() {
  const jobs = state.sheet.jobs;
  at("empty").hidden = jobs.length > 0;
  at("answers").hidden = jobs.length === 0;
  at("totals").hidden = jobs.length === 0;
  at("jobs").replaceChildren(
    ...jobs.map((job) => {
      const box = made("input", { type: "checkbox", value: job.number });
      box.checked = state.jobs.includes(String(job.number));
      box.addEventListener("change", () => {
        const chosen = [...at("jobs").querySelectorAll("input:checked")].map((one) => one.value);
        if (!chosen.length) {
          box.checked = true;
          return;
        }
        chooseJobs(chosen);
      });
      const line = made("label", {}, box, made("span", { text: job.name }), made("span", { class: "time" }));
      line.dataset.job = job.number;
      return made("li", {}, line);
    }),
  );
  const names = jobs.filter((job) => state.jobs.includes(String(job.number))).map((job) => job.name);
  const what = names.length > 1 ? `${names[0]} and ${names.length - 1} more` : (names[0] ?? "Print time");
  at("title").textContent = `${what} on ${state.sheet.machine}`;
  document.title = at("title").textContent;
}

async function chooseJobs(chosen) {
  state.jobs = chosen;
  state.layer = null;
  state.shown = null;
  present = null;
  writeAddress();
  showJobs();
  await askPresent();
  await showAllKept();
  askTotal();
}

async function askPresent() {
  try {
    present = await (await answered(`/total?${new URLSearchParams(jobPairs())}`)).json();
    if (state.settings.size === 0) showTotal(present, question());
    showSaved();
    well();
  } catch (error) {
    fail(error);
  }
}

async function loadSheet() {
  state.sheet = await (await answered("/sheet")).json();
}

async function takeFile(file) {
  at("reading").textContent = `reading ${file.name} …`;
  try {
    const job = await drop(file);
    await loadSheet();
    at("reading").textContent = `${job.name} is timed now`;
    await chooseJobs([String(job.number)]);
  } catch (error) {
    at("reading").textContent = error instanceof Refused ? `${file.name} cannot be timed: ${error.findings.join(" ")}` : "";
    if (!(error instanceof Refused)) fail(error);
  }
}

async function take(name) {
  const pairs = [...question(), ...state.kept.map((one) => ["keep", one])];
  at("taking").textContent = `${name} is being made …`;
  try {
    const response = await answered(`/${name}?${new URLSearchParams(pairs)}`);
    const address = URL.createObjectURL(await response.blob());
    const link = made("a", { href: address, download: name });
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(address), 60000);
    at("taking").textContent = `${name} is in your downloads`;
  } catch (error) {
    at("taking").textContent = error instanceof Refused ? `${name} cannot be made: ${error.findings.join(" ")}` : "";
    if (!(error instanceof Refused)) fail(error);
  }
}

// What takes long is asked for by a button alone: upgrades and orders.
async function weigh(what) {
  const where = at(what);
  const pairs = question();
  const prints = at("prints-a-month").value;
  if (what === "upgrades" && prints) pairs.push(["prints", prints]);
  where.replaceChildren(made("p", { class: "aside", text: "reckoning …" }));
  try {
    const found = await ask(what, pairs);
    if (found === null) return;
    showWeighed(where, found);
  } catch (error) {
    where.replaceChildren(...(error instanceof Refused ? error.findings.map((text) => made("p", { text })) : []));
    if (!(error instanceof Refused)) fail(error);
  }
}

function listen() {
  at("against").addEventListener("change", () => {
    state.knob = at("against").value;
    writeAddress();
    askCurve();
  });
  at("further").addEventListener("change", () => {
    const name = at("further").value;
    if (!name) return;
    addFurther(name);
    at("further").value = "";
    knobs.get(name)?.focus();
  });
  at("keep").addEventListener("click", () => {
    const text = new URLSearchParams(settingPairs()).toString();
    if (!state.kept.includes(text)) state.kept.push(text);
    writeAddress();
    showAllKept();
  });
  at("reset").addEventListener("click", () => setAll([]));
  at("again").addEventListener("click", () => (state.sheet ? askTotal() : begin()));
  at("file").addEventListener("change", () => at("file").files[0] && takeFile(at("file").files[0]));
  for (const id of ["layer", "layer-number"]) {
    at(id).addEventListener("input", () => {
      if (at(id).value === "") return;
      at(id === "layer" ? "layer-number" : "layer").value = at(id).value;
      state.layer = String(Math.max(0, Math.round(Number(at(id).value))));
      writeAddress();
      askLayer();
    });
  }
  for (const one of document.querySelectorAll('input[name="by"]')) {
    one.checked = one.value === state.by;
    one.addEventListener("change", () => {
      state.by = one.value;
      writeAddress();
      askLayer();
    });
  }
  at("shown").addEventListener("change", () => {
    state.shown = at("shown").value;
    state.layer = null;
    writeAddress();
    askLayer();
    showLayers();
  });
  for (const button of document.querySelectorAll("[data-take]")) {
    button.addEventListener("click", () => take(button.dataset.take));
  }
  for (const button of document.querySelectorAll("[data-weigh]")) {
    button.addEventListener("click", () => weigh(button.dataset.weigh));
  }
  let inside = 0;
  const carries = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
  addEventListener("dragenter", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    inside += 1;
    at("over").hidden = false;
  });
  addEventListener("dragover", (event) => carries(event) && event.preventDefault());
  addEventListener("dragleave", (event) => {
    if (!carries(event)) return;
    inside = Math.max(0, inside - 1);
    at("over").hidden = inside === 0;
  });
  addEventListener("drop", (event) => {
    if (!carries(event)) return;
    event.preventDefault();
    inside = 0;
    at("over").hidden = true;
    if (event.dataTransfer.files[0]) takeFile(event.dataTransfer.files[0]);
  });
  dark.addEventListener("change", () => rest && (askLayer(), showCurve(), showLayers()));
  narrow.addEventListener("change", () => rest && askLayer());
}

async function begin() {
  readAddress();
  try {
    await loadSheet();
  } catch (error) {
    fail(error);
    return;
  }
  const sheet = state.sheet;
  at("checked").textContent = `Times are ${sheet.checked}.`;
  for (const knob of sheet.knobs) addKnob(knob, knob.group === "filters" ? at("filter-knobs") : at("main-knobs"));
  at("further").replaceChildren(made("option", { value: "", text: "choose a limit" }));
  for (const knob of sheet.further) at("further").append(made("option", { value: knob.name, text: `${knob.words}, as it is ${knob.present_text}` }));
  at("upgrades-part").hidden = sheet.upgrades.length === 0;
  at("orders-part").hidden = !sheet.orders;
  const laid = [...sheet.candidates, ...sheet.upgrades];
  at("laid").hidden = laid.length === 0;
  at("laid-over").replaceChildren(
    ...laid.flatMap((one) => {
      const button = made("button", { type: "button", text: one.name });
      button.addEventListener("click", () => setAll([...settingPairs().filter(([name]) => !one.set.some(([other]) => other === name)), ...one.set]));
      return [button, " "];
    }),
  );
  if ([...state.settings.keys()].some((name) => name.startsWith("vibration."))) at("filters").open = true;
  listen();
  const known = sheet.jobs.map((job) => String(job.number));
  state.jobs = state.jobs.filter((number) => known.includes(number));
  if (!state.jobs.length) state.jobs = sheet.jobs.filter((job) => !job.dropped).map((job) => String(job.number));
  if (!state.jobs.length) state.jobs = known.slice(-1);
  const settings = settingPairs();
  showJobs();
  if (!sheet.jobs.length) return;
  await askPresent();
  for (const [name] of [...settings, [state.knob]]) addFurther(name);
  if (!knobs.has(state.knob) || knobs.get(state.knob).knob.choices.length) state.knob = "acceleration";
  at("against").value = state.knob;
  setAll(settings);
  if (state.kept.length) showAllKept();
}

begin();
