// The plots: how the total falls with a knob, and the time of every layer. Drawn by a library that is fetched last.

import { numberText } from "/knobs.js";

let library = null;

function drawing() {
  library ??= new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = "/plotly.js";
    script.onload = () => done(window.Plotly);
    script.onerror = failed;
    document.head.append(script);
  });
  return library;
}

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

// Seconds in the unit that suits the longest of them.
export function scaleOf(seconds) {
  const most = Math.max(...seconds, 0);
  if (most >= 7200) return { size: 3600, name: "h" };
  return most >= 120 ? { size: 60, name: "min" } : { size: 1, name: "s" };
}

export function durationText(seconds) {
  if (seconds < 59.95) return `${seconds.toFixed(1)} s`;
  const whole = Math.round(seconds);
  if (whole < 3600) return `${Math.floor(whole / 60)} min ${String(whole % 60).padStart(2, "0")} s`;
  const minutes = Math.round(seconds / 60);
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

// Foreign words as they are: the library takes tags in a text for tags.
function plain(text) {
  return text.replaceAll("&", "&amp;").replaceAll("<", "&lt;");
}

function layout(x, y, more = {}) {
  const ink = colour("ink");
  const axis = {
    gridcolor: colour("grid"), linecolor: colour("rule"), tickcolor: colour("rule"), ticks: "outside", zeroline: false,
    fixedrange: true, automargin: true, showline: true,
  };
  return {
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", showlegend: false, hovermode: "closest",
    font: { family: '"DejaVu Sans", Verdana, "Segoe UI", sans-serif', size: 12, color: ink },
    margin: { l: 10, r: 14, t: 26, b: 10 }, dragmode: false,
    hoverlabel: { bgcolor: colour("paper"), bordercolor: colour("rule"), font: { color: ink } },
    xaxis: { ...axis, showgrid: false, ...x }, yaxis: { ...axis, ...y }, ...more,
  };
}

const options = { displayModeBar: false, responsive: true, showTips: false };

// Ticks that a person would count in, on a scale of equal ratios.
function ticks(low, high, room) {
  const found = [];
  for (let power = Math.floor(Math.log10(low)); power <= Math.ceil(Math.log10(high)); power += 1) {
    for (const figure of room ? [1, 2, 5] : [1, 3]) {
      const value = Number((figure * 10 ** power).toPrecision(3));
      if (value >= low * 0.999 && value <= high * 1.001) found.push(value);
    }
  }
  return found;
}

// `marks` of {value, total_s, words, tone}: the machine as it is and the setting; `cap` of {value, words} or null.
export async function drawCurve(element, curve, marks, cap) {
  const plotly = await drawing();
  const scale = scaleOf(curve.total_s);
  const low = curve.values[0];
  const high = curve.values[curve.values.length - 1];
  const at = ticks(low, high, element.clientWidth > 460);
  const line = {
    x: curve.values, y: curve.total_s.map((one) => one / scale.size), type: "scatter", mode: "lines",
    line: { color: colour("tones-0"), width: 2.4 },
    text: curve.values.map((one, i) => `${numberText(one)} ${curve.unit}: ${durationText(curve.total_s[i])}`),
    hoverinfo: "text",
  };
  const points = marks.filter((one) => one.value > 0).map((one) => ({
    x: [one.value], y: [one.total_s / scale.size], type: "scatter", mode: "markers+text", text: [one.words],
    textposition: one.value > Math.sqrt(low * high) ? "top left" : "top right", cliponaxis: false,
    marker: { color: one.filled ? colour("tones-0") : colour("paper"), size: 11, line: { color: colour("ink"), width: 2 } },
    hovertext: [`${one.words}: ${durationText(one.total_s)}`], hoverinfo: "text", textfont: { color: colour("ink") },
  }));
  const shapes = [];
  const annotations = [];
  if (cap && cap.value >= low && cap.value <= high) {
    shapes.push({
      type: "line", x0: cap.value, x1: cap.value, y0: 0, y1: 1, yref: "paper",
      line: { color: colour("tones-1"), width: 2, dash: "dash" },
    });
    annotations.push({
      x: Math.log10(cap.value), y: 1, yref: "paper", yanchor: "bottom", text: plain(cap.words), showarrow: false,
      xanchor: cap.value > Math.sqrt(low * high) ? "right" : "left", font: { color: colour("tones-1") },
    });
  }
  const seconds = curve.total_s.map((one) => one / scale.size);
  const room = 0.12 * (Math.max(...seconds) - Math.min(...seconds)) || 0.1 * seconds[0];
  const x = {
    type: "log", title: { text: `${plain(curve.words)}${curve.unit && curve.unit !== "×" ? ` (${curve.unit})` : ""}` },
    tickvals: at, ticktext: at.map((one) => numberText(one) + (curve.unit === "×" ? "×" : "")),
    range: [Math.log10(low) - 0.02, Math.log10(high) + 0.02],
  };
  const y = {
    title: { text: `total (${scale.name})` }, range: [Math.min(...seconds) - room, Math.max(...seconds) + 2 * room],
  };
  await plotly.react(element, [line, ...points], layout(x, y, { shapes, annotations }), options);
}

// `pick(layer)` is called for a layer that is clicked.
export async function drawLayers(element, layers, changed, shown, pick) {
  const plotly = await drawing();
  const scale = scaleOf([...layers.present_s.slice(1), ...layers.set_s.slice(1)]);
  const numbers = layers.set_s.map((_, i) => i).slice(1);
  const steps = (values, name, line, fill) => ({
    x: numbers, y: values.slice(1).map((one) => one / scale.size), type: "scatter", mode: "lines",
    line: { shape: "hvh", ...line }, fill, fillcolor: colour("fills-4"),
    text: numbers.map((one) => `layer ${one}, ${name}: ${durationText(values[one])}`), hoverinfo: "text",
  });
  const traces = [
    steps(layers.set_s, changed ? "this setting" : "as it is", { color: colour("tones-0"), width: 1.8 }, "tozeroy"),
  ];
  if (changed) traces.push(steps(layers.present_s, "as it is", { color: colour("ink"), width: 1.2, dash: "dot" }, "none"));
  const shapes = [
    { type: "line", x0: shown, x1: shown, y0: 0, y1: 1, yref: "paper", line: { color: colour("rule"), width: 1 } },
  ];
  const most = Math.max(...numbers.map((one) => Math.max(layers.set_s[one], layers.present_s[one])), 1e-9) / scale.size;
  const x = { title: { text: "layer" }, range: [0.5, numbers.length + 0.5], nticks: 8 };
  const y = { title: { text: `time (${scale.name})` }, range: [0, 1.08 * most], nticks: 6 };
  await plotly.react(element, traces, layout(x, y, { shapes }), options);
  element.removeAllListeners("plotly_click");
  element.on("plotly_click", (event) => pick(Math.round(event.points[0].x)));
}
