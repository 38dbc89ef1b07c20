// What the answers look like in the page: tables and lists, every text put in as text.

import { made } from "/knobs.js";

const at = (id) => document.getElementById(id);

export function showCauses(rows) {
  const most = Math.max(...rows.map((row) => Math.max(row.set_s, row.present_s)), 1e-9);
  at("causes").replaceChildren(
    ...rows.map((row) => {
      const bar = made("span", { class: "bar none" });
      bar.style.width = `${(100 * row.set_s) / most}%`;
      const was = made("span", { class: "bar was" });
      was.style.width = `${(100 * row.present_s) / most}%`;
      const cells = [
        made("th", { scope: "row", text: row.cause }),
        made("td", { class: "drawn", "aria-hidden": "true" }, bar, was),
        made("td", { class: "right", text: `${row.set} (${row.share})` }),
        made("td", { class: "right", text: row.present }),
      ];
      const line = made("tr", {}, ...cells);
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
      made(
        "tr",
        { class: row.judged === "past it" ? "past" : null },
        made("th", { scope: "row", text: row.limit }),
        made("td", { class: "right", text: row.set }),
        made("td", { class: "right", text: row.most }),
        made("td", { text: row.judged }),
        made("td", { text: row.stopped_by }),
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
      const acts = made("td");
      if (i > 0) {
        const again = made("button", { type: "button", class: "plain", text: "set again" });
        again.setAttribute("aria-label", `set ${row.words} again`);
        again.addEventListener("click", () => take(row));
        const away = made("button", { type: "button", class: "plain", text: "remove" });
        away.setAttribute("aria-label", `remove ${row.words}`);
        away.addEventListener("click", () => remove(row));
        acts.append(again, " ", away);
      }
      return made(
        "tr",
        {},
        made("th", { scope: "row", text: row.words }),
        made("td", { class: "right", text: row.total }),
        made("td", { class: "right", text: row.saved }),
        made("td", { class: "right", text: row.share }),
        acts,
      );
    }),
  );
}

export function tableOf(table, heads, rows) {
  const head = made("tr", {}, ...heads.map((text) => made("th", { scope: "col", class: "right", text })));
  const body = rows.map((cells) => made("tr", {}, ...cells.map((text) => made("td", { class: "right", text }))));
  table.replaceChildren(made("thead", {}, head), made("tbody", {}, ...body));
}
