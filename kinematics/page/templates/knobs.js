// The knobs: a slider over round values, an exact number beside it, what the machine has, and what stops or holds it.

export function made(kind, attributes = {}, ...inside) {
  const element = document.createElement(kind);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "text") element.textContent = value;
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...inside);
  return element;
}

export function numberText(value) {
  const size = Math.abs(value);
  if (size >= 1000) return Math.round(value).toLocaleString("en-US");
  return String(Number(value.toPrecision(3)));
}

function withUnit(knob, value) {
  return `${numberText(value)}${knob.unit === "×" || !knob.unit ? "" : " "}${knob.unit}`;
}

// `turn(name, text)` is called with what is set, or null where the knob is back; `touch(name)` where it is looked at.
export function knobElement(knob, turn, touch) {
  return knob.choices.length ? chooser(knob, turn) : slider(knob, turn, touch);
}

function chooser(knob, turn) {
  const id = `knob-${knob.name}`;
  const select = made("select", { id });
  for (const name of knob.choices) select.append(made("option", { value: name, text: name }));
  const state = made("p", { class: "state", id: `${id}-state`, hidden: true });
  select.setAttribute("aria-describedby", state.id);
  select.addEventListener("change", () => turn(knob.name, select.value === knob.present_text ? null : select.value));
  const label = made("label", { for: id, text: knob.words });
  const was = made("p", { class: "was" }, made("span", { text: `as it is ${knob.present_text}` }));
  const element = made("div", { class: "knob" }, made("div", { class: "line" }, label, select), was, state);
  const show = (text) => {
    select.value = text ?? knob.present_text;
    element.classList.toggle("changed", text !== undefined);
  };
  return { knob, element, show, tell: (told) => tell(state, told, turn), focus: () => select.focus() };
}

function slider(knob, turn, touch) {
  const id = `knob-${knob.name}`;
  const free = knob.present === null;
  const last = knob.stops.length - 1 + (free ? 1 : 0);
  const range = made("input", { type: "range", id, min: 0, max: last, step: 1 });
  const exact = made("input", {
    type: "number", id: `${id}-exact`, step: "any", min: 0, placeholder: knob.present_text, inputmode: "decimal",
    "aria-label": `${knob.words}, exact${knob.unit && knob.unit !== "×" ? ` (${knob.unit})` : ""}`,
  });
  const state = made("p", { class: "state", id: `${id}-state`, hidden: true });
  range.setAttribute("aria-describedby", state.id);
  const mark = made("span", { class: "present" });
  const cap = made("span", { class: "cap", hidden: true });
  const scale = made("div", { class: "scale", "aria-hidden": "true" }, mark, cap);
  const place = (value) => {
    if (value === null) return last;
    let best = 0;
    knob.stops.forEach((stop, i) => {
      if (Math.abs(Math.log(stop / value)) < Math.abs(Math.log(knob.stops[best] / value))) best = i;
    });
    return best;
  };
  const left = (value) => `${(100 * between(knob.stops, value)) / last}%`;
  mark.style.left = free ? "100%" : left(knob.present);
  const given = knob.present_text;
  const back = made("button", { type: "button", class: "plain", text: "back", hidden: true });
  back.setAttribute("aria-label", `${knob.words} back to ${given}`);
  const until = made("span");
  const was = made("p", { class: "was" }, made("span", { text: `as it is ${given}` }), until, back);
  const element = made(
    "div",
    { class: "knob" },
    made(
      "div",
      { class: "line" },
      made("label", { for: id, text: knob.words }),
      made("span", { class: "exact" }, exact, " ", made("span", { class: "unit", text: knob.unit })),
    ),
    range,
    scale,
    was,
    state,
  );
  range.addEventListener("input", () => {
    const stop = knob.stops[Number(range.value)];
    turn(knob.name, stop === undefined || stop === knob.present ? null : String(stop));
  });
  exact.addEventListener("input", () => {
    const value = Number(exact.value);
    if (exact.value === "" || value === knob.present) turn(knob.name, null, exact);
    else if (value > 0 && Number.isFinite(value)) turn(knob.name, exact.value, exact);
  });
  for (const one of [range, exact]) one.addEventListener("focus", () => touch(knob.name));
  back.addEventListener("click", () => {
    turn(knob.name, null);
    range.focus();
  });
  const show = (text, but) => {
    const value = text === undefined ? knob.present : Number(text);
    range.value = String(place(value));
    range.setAttribute("aria-valuetext", value === null ? knob.present_text : withUnit(knob, value));
    if (but !== exact) exact.value = value === null ? "" : String(Number(value.toPrecision(6)));
    element.classList.toggle("changed", text !== undefined);
    back.hidden = text === undefined;
  };
  const tellAll = (told) => {
    tell(state, told, turn);
    const known = told?.cap !== null && told?.cap !== undefined && told.cap > 0;
    cap.hidden = !known || told.cap > knob.stops[knob.stops.length - 1];
    if (known) cap.style.left = left(told.cap);
    until.textContent = known ? `cap ${told.cap_text}` : "";
  };
  return { knob, element, show, tell: tellAll, focus: () => range.focus() };
}

// Where a value lies among stops, as a place between two of them.
function between(stops, value) {
  if (value <= stops[0]) return 0;
  for (let i = 1; i < stops.length; i += 1) {
    if (value <= stops[i]) return i - 1 + Math.log(value / stops[i - 1]) / Math.log(stops[i] / stops[i - 1]);
  }
  return stops.length - 1;
}

function tell(state, told, turn) {
  state.replaceChildren();
  state.hidden = !told || !told.words;
  if (state.hidden) return;
  state.dataset.state = told.state;
  state.append(made("strong", { text: `${told.words}.` }));
  if (told.more) state.append(made("span", { text: ` ${told.more}.` }));
  for (const other of told.others) {
    const button = made("button", { type: "button", class: "plain", text: `turn ${other.words} too` });
    button.addEventListener("click", () => turn(other.name, undefined));
    state.append(" ", button);
  }
}
