/*
 * plot: a figure with data-plot is drawn by plotly, loaded only where there is one.
 *
 * data-url gives {"data": [...], "layout": {...}}; data-spec names a script element of type application/json instead.
 * With data-zoom a zoom asks the same address for detail: ?from=&to=&px= (the part shown, the width in pixels).
 * Colours of paper, ink and lines follow the page, also when the reader's preference changes.
 */

const ZOOM_WAIT = 120;
const MOST_ROWS = 400;
const OWN = document.querySelector("script[data-plotly]");
let loading = null;

export function startPlots(root) {
  for (const figure of root.querySelectorAll("[data-plot]")) {
    if (figure.dataset.plotReady) continue;
    figure.dataset.plotReady = "yes";
    new Plot(figure).begin();
  }
}

/** plotly's script, once. */
function plotly() {
  loading ??= new Promise((done, failed) => {
    const script = document.createElement("script");
    script.src = OWN.dataset.plotly;
    script.nonce = OWN.nonce;
    const giveBack = letStylesThrough();
    script.onload = () => done(window.Plotly);
    script.onerror = () => failed(new Error("the plotting library could not be loaded"));
    script.addEventListener("load", giveBack);
    script.addEventListener("error", giveBack);
    document.head.append(script);
  });
  return loading;
}

/** plotly writes rules into style elements of its own making; the content policy lets them through by their nonce. */
function letStylesThrough() {
  const make = document.createElement;
  document.createElement = function (name, ...more) {
    const element = make.call(this, name, ...more);
    if (String(name).toLowerCase() === "style") element.nonce = OWN.nonce;
    return element;
  };
  return () => {
    document.createElement = make;
  };
}

class Plot {
  constructor(figure) {
    this.figure = figure;
    this.area = figure.querySelector(".plot-area");
    this.url = figure.dataset.url;
    this.asked = null;
  }

  async begin() {
    try {
      const [library, drawing] = await Promise.all([plotly(), this.read()]);
      this.library = library;
      this.drawing = drawing;
      await this.draw();
      this.offerTable();
      this.follow();
    } catch (error) {
      this.area.textContent = `The plot could not be shown: ${error.message}. Reload the page to try again.`;
    }
  }

  async read(query = {}) {
    if (this.figure.dataset.spec) return JSON.parse(document.getElementById(this.figure.dataset.spec).textContent);
    this.asked?.abort();
    this.asked = new AbortController();
    const address = new URL(this.url, location.href);
    for (const [name, value] of Object.entries({ px: this.width(), ...query })) address.searchParams.set(name, value);
    const answer = await fetch(address, { headers: { Accept: "application/json" }, signal: this.asked.signal });
    if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
    return answer.json();
  }

  width() {
    return Math.round(this.area.clientWidth * (window.devicePixelRatio || 1)) || 800;
  }

  async draw() {
    const { data, layout } = this.drawing;
    this.area.querySelector(":scope > p")?.remove();
    if (layout?.height) this.area.style.height = `${layout.height}px`; // what follows on the page makes room
    await this.library.react(this.area, themed(data), withTheme(layout ?? {}), CONFIG);
  }

  follow() {
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
    if (!("zoom" in this.figure.dataset)) return;
    this.area.on("plotly_relayout", (change) => {
      const query = zoomed(change);
      if (!query) return;
      clearTimeout(this.waiting);
      this.waiting = setTimeout(() => this.detail(query), ZOOM_WAIT);
    });
  }

  /** New data for the part shown; what the reader zoomed to stays. A newer zoom drops an older answer. */
  async detail(query) {
    try {
      this.drawing.data = (await this.read(query)).data;
      await this.library.react(this.area, themed(this.drawing.data), this.area.layout, CONFIG);
    } catch (error) {
      if (error.name !== "AbortError") this.say("No finer detail could be fetched; the coarse curve is shown.");
    }
  }

  say(words) {
    let line = this.figure.querySelector(".plot-words");
    if (!line) {
      line = Object.assign(document.createElement("p"), { className: "plot-words quiet" });
      line.setAttribute("role", "status");
      this.figure.append(line);
    }
    line.textContent = words;
  }

  offerTable() {
    const button = Object.assign(document.createElement("button"), { type: "button", className: "button-quiet", textContent: "Show as a table" });
    button.setAttribute("aria-expanded", "false");
    button.addEventListener("click", () => this.toggleTable(button));
    this.figure.querySelector(".plot-caption").append(button);
  }

  toggleTable(button) {
    const shown = this.figure.querySelector(".plot-table");
    button.setAttribute("aria-expanded", String(!shown));
    button.textContent = shown ? "Show as a table" : "Hide the table";
    if (shown) shown.remove();
    else this.figure.append(tableOf(this.drawing, this.figure.dataset.label));
  }
}

const CONFIG = { displaylogo: false, responsive: true, showTips: false, modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d"] };

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

/** Where a trace has no colour of its own it gets the next of the palette; black and white follow the page. */
function themed(data) {
  return data.map((trace, place) => {
    const own = colour(`--plot-${(place % 8) + 1}`);
    const line = { width: 1.5, ...trace.line };
    const marker = { ...trace.marker };
    line.color = onPage(line.color) ?? own;
    if (!Array.isArray(marker.color)) marker.color = onPage(marker.color) ?? line.color;
    return { ...trace, x: numbers(trace.x), y: numbers(trace.y), line, marker };
  });
}

function onPage(value) {
  if (value === undefined) return undefined;
  return /^(#000(000)?|black)$/i.test(value) ? colour("--ink") : value;
}

/** A copy: plotly takes an array it has seen for unchanged. */
function numbers(values) {
  return Array.isArray(values) ? [...values] : values;
}

function withTheme(layout) {
  const ink = colour("--ink");
  const themedLayout = {
    paper_bgcolor: "rgba(0,0,0,0)",
    plot_bgcolor: "rgba(0,0,0,0)",
    margin: { l: 64, r: 16, t: 16, b: 52 },
    hovermode: "x unified",
    legend: { orientation: "h", y: 1.08, x: 0 },
    uirevision: "keep",
    dragmode: "zoom",
    ...layout,
    font: { family: colour("--sans"), size: 13, ...layout.font, color: ink },
    hoverlabel: { ...layout.hoverlabel, bgcolor: colour("--sheet"), font: { color: ink } },
    modebar: { bgcolor: "rgba(0,0,0,0)", color: colour("--ink-2"), activecolor: ink },
  };
  for (const name of axesOf(layout)) themedLayout[name] = axis(layout[name] ?? {});
  return themedLayout;
}

function axesOf(layout) {
  return [...new Set(["xaxis", "yaxis", ...Object.keys(layout).filter((name) => /^[xy]axis\d*$/.test(name))])];
}

function axis(own) {
  const line = colour("--line");
  return { automargin: true, ...own, gridcolor: line, zerolinecolor: line, linecolor: colour("--edge"), tickcolor: colour("--edge"), showline: true, ticks: "outside" };
}

/** The part shown after a change of the axes; an empty query for all of it; null where the axis did not change. */
function zoomed(change) {
  if (change["xaxis.autorange"]) return {};
  const from = change["xaxis.range[0]"] ?? change["xaxis.range"]?.[0];
  const to = change["xaxis.range[1]"] ?? change["xaxis.range"]?.[1];
  return from === undefined || to === undefined ? null : { from, to };
}

function tableOf({ data, layout }, label) {
  const box = Object.assign(document.createElement("div"), { className: "plot-table table-wrap", tabIndex: 0 });
  box.setAttribute("role", "region");
  box.setAttribute("aria-label", `Table: ${label}`);
  for (const trace of data.filter((one) => one.x?.length && one.y?.length)) box.append(traceTable(trace, layout));
  return box;
}

function traceTable(trace, layout) {
  const step = Math.max(1, Math.ceil(trace.x.length / MOST_ROWS));
  const table = document.createElement("table");
  const note = step > 1 ? `, every ${step}th of ${trace.x.length} points` : "";
  table.createCaption().textContent = `${trace.name || "values"}${note}`;
  const head = table.createTHead().insertRow();
  const upright = `yaxis${(trace.yaxis ?? "y").slice(1)}`;
  for (const words of [title(layout, "xaxis") || "x", title(layout, upright) || trace.meta || "y"]) {
    head.append(Object.assign(document.createElement("th"), { scope: "col", className: "number", textContent: words }));
  }
  const body = table.createTBody();
  for (let place = 0; place < trace.x.length; place += step) {
    const row = body.insertRow();
    for (const value of [trace.x[place], trace.y[place]]) {
      Object.assign(row.insertCell(), { className: "number", textContent: written(value) });
    }
  }
  return table;
}

function title(layout, name) {
  return layout?.[name]?.title?.text ?? "";
}

function written(value) {
  return typeof value === "number" ? String(Number(value.toPrecision(6))) : String(value ?? "");
}
