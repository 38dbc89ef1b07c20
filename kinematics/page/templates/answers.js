// What the answers look like in the page: tables and lists, every text put in as text.

import { made } from "/knobs.js";

const at = (id) => document.getElementById(id);

// A row of a table: its first cell heads it. Roles are told, since a narrow screen lays rows out in another way.
function lineOf(cells, className = null) {
  return made(
    "tr",
    { class: className, role: "row" },
    ...cells.map(({ inside = [], ...attributes }, i) =>
      i === 0
        ? made("th", { scope: "row", role: "rowheader", ...attributes }, ...inside)
        : made("td", { role: "cell", ...attributes }, ...inside),
    ),
  );
}

export function showCauses(rows, changed) {
  at("causes").parentElement.classList.toggle("alone", !changed);
  at("causes-set").textContent = changed ? "this setting" : "time";
  const most = Math.max(...rows.map((row) => Math.max(row.set_s, row.present_s)), 1e-9);
  at("causes").replaceChildren(
    ...rows.map((row) => {
      const bar = made("span", { class: "bar none" });
      bar.style.width = `${(100 * row.set_s) / most}%`;
      const was = made("span", { class: "bar was" });
      was.style.width = `${(100 * row.present_s) / most}%`;
      const line = lineOf(
        [
          { text: row.cause },
          { inside: [bar, was], class: "drawn", "aria-hidden": "true" },
          { text: `${row.set} (${row.share})`, class: "right" },
          { text: row.present, class: "right was-cell" },
        ],
      );
      line.dataset.cause = row.cause;
      return line;
    }),
  );
}

// The bars in the colours that the path has.
export function colourCauses(colours) {
  for (const line of at("causes").children) {
    const tone = colours[line.dataset.cause];
    line.querySelector(".bar").className = `bar ${tone === undefined ? "none" : `tone-${tone}`}`;
  }
}

export function showParts(parts) {
  at("parts").textContent = parts
    .map((one) => (one.set === one.present ? `${one.part} ${one.set}` : `${one.part} ${one.set} (as it is ${one.present})`))
    .join(" · ");
}

export function showPrints(prints, changed) {
  const lines = !prints.set ? [] : changed ? [`As it is: ${prints.present}.`, `With this setting: ${prints.set}.`] : [`${prints.set}.`];
  at("prints").replaceChildren(...lines.flatMap((line) => [made("span", { text: line }), made("br")]));
}

export function showCaps(rows) {
  at("caps").replaceChildren(
    ...rows.map((row) =>
      lineOf(
        [
          { text: row.limit },
          { text: row.set, class: "right", "data-head": "set" },
          { text: row.most, class: "right", "data-head": row.most ? "at most" : null },
          { text: row.judged },
          { text: row.stopped_by },
        ],
        row.judged === "past it" ? "past" : null,
      ),
    ),
  );
  const formulas = rows.flatMap((row) => row.formulas.map((one) => made("li", { text: `${row.limit}: ${one}` })));
  at("formulas").replaceChildren(...(formulas.length ? formulas : [made("li", { text: "No cap is known." })]));
}

export function showNotes(notes) {
  at("notes-part").hidden = notes.length === 0;
  at("notes").replaceChildren(...notes.map((note) => made("li", { text: note })));
}

// `rows` of {words, total, saved, share}; `take(row)` sets one again, `remove(row)` drops it.
export function showKept(rows, take, remove) {
  at("kept-none").hidden = rows.length > 1;
  at("kept-part").hidden = rows.length <= 1;
  at("kept").replaceChildren(
    ...rows.map((row, i) => {
      const acts = made("span");
      if (i > 0) {
        const again = made("button", { type: "button", class: "plain", text: "set again" });
        again.setAttribute("aria-label", `set ${row.words} again`);
        again.addEventListener("click", () => take(row));
        const away = made("button", { type: "button", class: "plain", text: "remove" });
        away.setAttribute("aria-label", `remove ${row.words}`);
        away.addEventListener("click", () => remove(row));
        acts.append(again, " ", away);
      }
      return lineOf([
        { text: row.words },
        { text: row.total, class: "right" },
        { text: row.saved, class: "right", "data-head": row.saved ? "saved" : null },
        { text: row.share, class: "right" },
        { inside: [acts] },
      ]);
    }),
  );
}

export function tableOf(table, heads, rows) {
  const head = made("tr", {}, ...heads.map((text) => made("th", { scope: "col", class: "right", text })));
  const body = rows.map((cells) => made("tr", {}, ...cells.map((text) => made("td", { class: "right", text }))));
  table.replaceChildren(made("thead", {}, head), made("tbody", {}, ...body));
}

// A table with heads of [words, whether they stand right], its finding above it and notes below.
export function showWeighed(where, found) {
  const inside = [made("p", { class: "finding", text: found.finding }), wideTable(found)];
  if (found.effects) inside.push(wideTable(found.effects));
  inside.push(made("ul", {}, ...found.notes.filter(Boolean).map((text) => made("li", { text }))));
  where.replaceChildren(...inside);
}

function wideTable({ heads, rows }) {
  const right = (i) => (heads[i][1] ? "right" : null);
  const head = made("tr", {}, ...heads.map(([text], i) => made("th", { scope: "col", class: right(i), text })));
  const body = rows.map((cells) =>
    made("tr", {}, ...cells.map((text, i) => made(i ? "td" : "th", { class: right(i), scope: i ? null : "row", text }))),
  );
  const table = made("table", {}, made("thead", {}, head), made("tbody", {}, ...body));
  return made("div", { class: "wide", tabindex: 0, role: "region", "aria-label": heads[0][0] || "table" }, table);
}
