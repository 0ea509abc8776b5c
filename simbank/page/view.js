/* The view of one run: drawing of the bank, states of charge, lines over time, a clock that plays, what the run comes to.

   const view = new BankView(rootElement);
   await view.show(bank, run);            // as bank_shown and run_shown of simbank/page/shown.py give them
   view.seek(seconds); view.play(); view.pause();

   It computes nothing of the bank: every value is a sample of the run, at the clock's step. Texts come in by textContent alone, the
   drawing by an XML parser, so that no name can bring in markup. */
"use strict";

const BankView = (() => {
  const SVG = "http://www.w3.org/2000/svg";
  const DASHES = ["", "9 3", "4 3", "10 3 3 3", "2 3", "6 3 2 3 2 3"]; // so that lines differ without colour
  const COLD = [138, 148, 162], WARM = [192, 117, 24], HOT = [136, 25, 60]; // of currents: none, half, largest
  const PLAYS_S = { slow: 60, medium: 25, fast: 10 }; // how long the whole run takes on the screen
  const MONTHS = "January February March April May June July August September October November December".split(" ");
  let views = 0;

  // ---- small helpers ----

  function el(tag, attributes, ...children) {
    const made = document.createElement(tag);
    for (const [key, value] of Object.entries(attributes || {})) {
      if (key === "class") made.className = value;
      else if (key in made && typeof value !== "string") made[key] = value;
      else made.setAttribute(key, value);
    }
    made.append(...children);
    return made;
  }

  function svg(tag, attributes, text) {
    const made = document.createElementNS(SVG, tag);
    for (const [key, value] of Object.entries(attributes || {})) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  }

  const isolated = (name) => `\u2068${name}\u2069`; // a name that is written from right to left leaves what is around it in place

  const short = (name, most) => (name.length > most ? `${name.slice(0, most - 1)}…` : name);

  function fixed(value, digits) {
    const text = Math.abs(value).toFixed(digits);
    const [whole, rest] = text.split(".");
    const sign = value < 0 && Number(text) !== 0 ? "−" : "";
    return sign + whole.replace(/\B(?=(\d{3})+$)/g, ",") + (rest ? `.${rest}` : "");
  }

  function amperes(value, step) {
    return `${fixed(Math.abs(value), step >= 1 ? 0 : step >= 0.1 || Math.abs(value) >= 10 ? 1 : 2)} A`;
  }

  function watts(value) {
    const most = Math.abs(value);
    return most >= 1000 ? `${fixed(most / 1000, 2)} kW` : `${fixed(most, 0)} W`;
  }

  /* How many verdicts there are of each severity, the gravest first. */
  function counted(verdicts) {
    const counts = new Map();
    for (const { severity } of verdicts) counts.set(severity, (counts.get(severity) || 0) + 1);
    return [...counts].map(([severity, count]) => `${count} × ${severity}`).join(", ");
  }

  const percent = (soc) => `${fixed(100 * soc, 1)} %`;

  function bytesOf(base64) {
    const text = atob(base64), bytes = new Uint8Array(text.length);
    for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
    return bytes;
  }

  async function inflated(base64) {
    if (typeof DecompressionStream === "undefined") {
      throw new Error("This browser is too old for this page: it needs one of 2023 or later.");
    }
    const stream = new Blob([bytesOf(base64)]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  /* How far a point is from a line of straight pieces, or from the box in the middle of a part's room. */
  function farFrom(hit, { x, y }) {
    if (hit.localName === "rect") {
      const [left, top, wide, high] = ["x", "y", "width", "height"].map((key) => Number(hit.getAttribute(key)));
      return Math.hypot(Math.max(left + 8 - x, 0, x - left - wide + 8), Math.max(top + 8 - y, 0, y - top - high + 8));
    }
    const numbers = hit.getAttribute("d").match(/-?[\d.]+/g).map(Number);
    let least = Infinity;
    for (let j = 0; j + 3 < numbers.length; j += 2) {
      const [ax, ay, bx, by] = numbers.slice(j, j + 4), dx = bx - ax, dy = by - ay;
      const share = Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1)));
      least = Math.min(least, Math.hypot(x - ax - share * dx, y - ay - share * dy));
    }
    return least;
  }

  // ---- series ----

  const unpackedRuns = new WeakMap();

  /* Series of a run by kind, one array for each pack, port or branch; simbank/page/packed.py says how they are packed. */
  async function unpacked(run) {
    if (unpackedRuns.has(run)) return unpackedRuns.get(run);
    const bytes = await inflated(run.series), m = run.samples, half = bytes.length / 2, rows = [];
    for (let begin = 0; begin < half; begin += m) {
      const row = new Int32Array(m);
      for (let k = 0, sum = 0; k < m; k++) {
        const counted = bytes[begin + k] | (bytes[half + begin + k] << 8);
        sum += counted & 1 ? -((counted + 1) >> 1) : counted >> 1;
        row[k] = sum;
      }
      rows.push(row);
    }
    const found = {};
    for (const [kind, which] of Object.entries(run.rows)) {
      const step = run.steps[kind === "soc" ? "soc" : kind.slice(-1)];
      found[kind] = which.map((k) => Float64Array.from(rows[Math.abs(k) - 1], (whole) => Math.sign(k) * whole * step));
    }
    unpackedRuns.set(run, found);
    return found;
  }

  // ---- time in words ----

  const lastOf = (run) => (run.samples - 1) * run.step_s; // the last instant shown [s]

  /* {date, time, day}: by the calendar where the run has dates, else since its start. */
  function timeOf(run, seconds) {
    const pad = (n) => String(n).padStart(2, "0");
    let at = Math.round(seconds), begin = 0, date = "";
    if (run.start) {
      const shift = (run.shifts || []).filter(([from]) => from <= seconds).map(([, by]) => by).pop() || 0;
      const midnight = Date.parse(`${run.start.slice(0, 10)}T00:00Z`) / 1000;
      begin = Date.parse(`${run.start}Z`) / 1000 - midnight + shift;
      const local = new Date(1000 * (midnight + begin + at));
      date = `${local.getUTCDate()} ${MONTHS[local.getUTCMonth()]} ${local.getUTCFullYear()}`;
      at += begin;
    }
    const fine = run.step_s < 1 ? 2 : 0;
    const rest = fine ? `:${(seconds % 60).toFixed(fine).padStart(5, "0")}` : run.step_s < 60 ? `:${pad(at % 60)}` : "";
    if (fine) at = Math.floor(seconds);
    const hours = Math.floor(at / 3600), hour = run.start || lastOf(run) > 86400 ? hours % 24 : hours, minute = Math.floor(at / 60) % 60, day = Math.floor(at / 86400) + 1;
    return { date, day, time: run.start ? `${pad(hour)}:${pad(minute)}${rest}` : `${hour}:${pad(minute)}${rest}` };
  }

  function timeText(run, seconds) {
    const { date, day, time } = timeOf(run, seconds);
    if (date) return `${time}, ${date} (day ${day})`;
    return lastOf(run) > 86400 ? `day ${day}, ${time} h` : `${time} h after the start`;
  }

  const atNight = (run, seconds) => run.nights && run.nights.some(([a, b]) => a <= seconds && (seconds < b || b >= lastOf(run))); // also at the end of a run that ends by night

  // ---- currents as width and colour ----

  function colourOf(share) {
    const [a, b, t] = share < 0.5 ? [COLD, WARM, 2 * share] : [WARM, HOT, 2 * share - 1];
    return `rgb(${a.map((from, k) => Math.round(from + t * (b[k] - from))).join(",")})`;
  }

  const widthOf = (share) => 1.4 + 8.6 * share;

  // ---- the view ----

  class BankView {
    constructor(root) {
      this.root = root;
      this.name = `view${++views}`;
      this.at = 0; // the sample shown
      this.seconds = 0; // the time, which moves between samples while it plays
      this.picked = null;
      this.kind = "soc";
      this.bank = this.run = this.series = null;
      this.still = window.matchMedia("(prefers-reduced-motion: reduce)");
      root.classList.add("bank-view");
      this.build();
      new ResizeObserver(() => this.run && this.drawChart()).observe(this.chart);
    }

    // -- what it is made of --

    build() {
      const id = (part) => `${this.name}-${part}`;
      this.clockTime = el("b");
      this.clockDate = el("span");
      this.doing = el("span", { class: "doing" });
      this.playButton = el("button", { type: "button", class: "play" }, "▶ Play");
      this.slider = el("input", { type: "range", id: id("time"), min: "0", max: "0", step: "1", value: "0" });
      this.nowText = el("span", { class: "now", "aria-hidden": "true" });
      this.speed = el("select", { id: id("speed") }, ...Object.entries(PLAYS_S).map(([name, s]) =>
        el("option", { value: name, selected: name === "medium", title: `the whole run in ${s} s` }, name)));
      this.drawing = el("div", { class: "scroll" });
      this.chooser = el("select", { id: id("look") });
      this.reading = el("output", { for: id("look") });
      this.scale = el("div", { class: "scale fine" });
      this.bars = el("ul", { class: "bars" });
      this.chart = el("div", { class: "plot" });
      this.kinds = el("fieldset", { class: "kinds" }, el("legend", {}, "Over time"));
      for (const [kind, words] of [["soc", "state of charge"], ["pack_a", "current of each pack"], ["port_w", "power at each port"]]) {
        const input = el("input", { type: "radio", name: id("kind"), value: kind, checked: kind === "soc" });
        input.addEventListener("change", () => { this.kind = kind; this.drawChart(); });
        this.kinds.append(el("label", {}, input, words));
      }
      this.verdicts = el("ul", { class: "verdicts" });
      this.says = el("a", { class: "says", href: `#${id("says")}` });
      this.figures = el("tbody");
      this.packRows = el("table", { class: "rows" });
      this.note = el("p", { class: "fine" });
      this.root.append(el("div", { class: "grid" },
        el("div", { class: "clock across" }, this.clockTime, this.clockDate, this.doing, this.says),
        el("div", { class: "transport across" }, this.playButton,
          el("span", { class: "time" }, el("label", { for: id("time") }, "Time"), this.nowText, this.slider),
          el("span", { class: "speed" }, el("label", { for: id("speed") }, "Speed"), this.speed)),
        el("figure", { class: "drawing", "aria-label": "Drawing of the bank" }, this.drawing, this.scale,
          el("div", { class: "touched" }, el("label", { for: id("look") }, "Touch a pack, cable or port, or pick one:"), this.chooser,
            this.reading)),
        el("section", { "aria-label": "State of charge of each pack at this time" }, el("h2", {}, "State of charge now"), this.bars),
        el("figure", { class: "chart across", "aria-label": "Over time" }, this.kinds, this.chart, this.note),
        el("section", { "aria-labelledby": id("says") }, el("h2", { id: id("says") }, "What this run comes to, worst first"),
          el("div", { "aria-live": "polite" }, this.verdicts)),
        el("section", { "aria-labelledby": id("figures") }, el("h2", { id: id("figures") }, "Key figures of the whole run"),
          el("table", {}, this.figures),
          el("details", {}, el("summary", {}, "Each pack over the whole run"),
            el("div", { class: "wide", tabindex: "0", role: "region", "aria-label": "Each pack over the whole run" }, this.packRows)))));
      this.playButton.addEventListener("click", () => (this.frame ? this.pause() : this.play()));
      this.slider.addEventListener("input", () => { this.pause(); this.seek(this.slider.valueAsNumber * this.run.step_s); });
      this.chooser.addEventListener("change", () => this.pick(this.chooser.value));
      this.bindChart();
    }

    // -- what it shows --

    /* Shows a run of a bank; the time stays where it was, as far as the run lasts. Unpacking takes a moment: then ``wanted`` says
       whether the run is still asked for. */
    async show(bank, run, wanted = () => true) {
      const series = await unpacked(run);
      if (!wanted()) return;
      const sameBank = this.bank && this.bank.drawing === bank.drawing;
      const sameNames = this.bank && JSON.stringify([this.bank.packs, this.bank.ports, this.bank.branches]) === JSON.stringify([bank.packs, bank.ports, bank.branches]);
      Object.assign(this, { bank, run, series });
      if (!sameBank) this.layDrawing();
      if (!sameNames) this.layNames();
      this.laySays();
      this.slider.max = String(run.samples - 1);
      this.seek(Math.min(this.seconds, (run.samples - 1) * run.step_s));
      this.drawChart();
    }

    /* Goes to a time of the run [s]: shows the sample nearest to it. */
    seek(seconds) {
      const last = (this.run.samples - 1) * this.run.step_s;
      this.seconds = Math.max(0, Math.min(last, seconds));
      this.at = Math.min(this.run.samples - 1, Math.round(this.seconds / this.run.step_s));
      this.update();
    }

    play() {
      if (this.frame || !this.run) return;
      if (this.at >= this.run.samples - 1) this.seek(0);
      let before = null;
      const next = (now) => {
        const passed = before === null ? 0 : Math.min(0.25, (now - before) / 1000);
        before = now;
        const length = (this.run.samples - 1) * this.run.step_s;
        this.flow(passed);
        this.seek(this.seconds + (passed * length) / PLAYS_S[this.speed.value]);
        if (this.seconds >= length) this.pause();
        else this.frame = requestAnimationFrame(next);
      };
      this.frame = requestAnimationFrame(next);
      this.playButton.textContent = "❚❚ Pause";
      this.root.classList.add("playing");
    }

    pause() {
      if (!this.frame) return;
      cancelAnimationFrame(this.frame);
      this.frame = null;
      this.playButton.textContent = "▶ Play";
      this.root.classList.remove("playing");
    }

    /* Chooses what is looked at, such as "pack 0", "branch 3" or "port 0"; nothing with "". */
    pick(item) {
      this.picked = item || null;
      this.chooser.value = this.picked || "";
      for (const [key, part] of this.parts) part.group.forEach((group) => group.classList.toggle("picked", key === this.picked));
      this.rows.forEach((row, k) => row.button.setAttribute("aria-pressed", String(this.picked === `pack ${k}`)));
      this.read();
      this.drawChart();
    }

    // -- the drawing --

    layDrawing() {
      const parsed = new DOMParser().parseFromString(this.bank.drawing, "image/svg+xml");
      const picture = document.importNode(parsed.documentElement, true);
      if (picture.localName !== "svg") throw new Error("The drawing cannot be read.");
      picture.setAttribute("role", "group");
      picture.removeAttribute("width");
      picture.removeAttribute("height");
      const many = this.bank.packs.length > 9;
      picture.style.minWidth = many ? `${picture.viewBox.baseVal.width * 0.75}px` : "";
      picture.querySelectorAll("title").forEach((title) => title.remove()); // what is touched is told below instead
      for (const label of picture.querySelectorAll(".pack .label:first-of-type")) label.textContent = short(label.textContent, 9); // whole beside the bars
      const longest = Math.min(9, Math.max(...this.bank.packs.map((name) => name.length)));
      picture.style.setProperty("--pack-size", `${Math.max(10, Math.min(22, 95 / longest))}px`); // where the drawing is small
      this.parts = new Map();
      this.wires = [];
      for (const group of picture.querySelectorAll("g[data-branch], g[data-pack], g[data-port]")) this.layPart(group);
      this.drawing.replaceChildren(picture);
      this.layScale();
      const first = this.parts.values().next().value;
      if (first) first.group[0].setAttribute("tabindex", "0");
    }

    layPart(group) {
      const kind = ["branch", "pack", "port"].find((one) => group.dataset[one] !== undefined), name = group.dataset[kind];
      const names = kind === "branch" ? this.bank.branches.map(([branch]) => branch) : this.bank[`${kind}s`];
      const k = names.indexOf(name), item = `${kind} ${k}`;
      group.dataset.item = item;
      if (!this.parts.has(item)) {
        this.parts.set(item, { group: [], kind, k, name });
        group.setAttribute("role", "button");
        group.setAttribute("tabindex", "-1"); // one stop of the Tab key for the drawing; arrow keys go on from there
        group.setAttribute("aria-label", `${kind === "branch" ? "" : `${kind} `}${name}`);
        group.addEventListener("keydown", (event) => this.step(event, item));
        group.addEventListener("focus", () => this.pick(item));
      }
      this.parts.get(item).group.push(group);
      group.addEventListener("pointermove", (event) => {
        if (event.pointerType !== "mouse") return;
        const there = this.nearest(event, item);
        if (there !== this.picked) this.pick(there);
      });
      group.addEventListener("click", (event) => this.pick(this.nearest(event, item)));
      for (const wire of group.querySelectorAll(".wire")) this.layWire(group, wire, kind, k);
      const box = kind === "pack" ? this.layTank(group, k) : kind === "port" && group.querySelector("rect");
      if (box) {
        const [x, y, w, h] = ["x", "y", "width", "height"].map((key) => Number(box.getAttribute(key)));
        group.prepend(svg("rect", { class: "halo", x: x - 3, y: y - 3, width: w + 6, height: h + 6, rx: 4, "stroke-width": 5 }));
        group.append(svg("rect", { class: "hit", x: x - 8, y: y - 8, width: w + (kind === "pack" ? 70 : 16), height: h + 16 }));
      }
    }

    /* Of the parts whose room to be touched lies under a press that which is drawn nearest to it: a cable by its line, others by their box. */
    nearest(event, item) {
      let best = item, least = Infinity;
      for (const hit of document.elementsFromPoint(event.clientX, event.clientY)) {
        const group = hit.classList.contains("hit") && hit.closest("[data-item]");
        if (!group || !this.drawing.contains(group)) continue;
        const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(hit.getScreenCTM().inverse()), far = farFrom(hit, at);
        if (far < least) { least = far; best = group.dataset.item; }
      }
      return best;
    }

    /* What moves on a line: a halo where it is picked, dashes that run with the current, an arrow, and room to be touched. */
    layWire(group, wire, kind, k) {
      const d = wire.getAttribute("d"), numbers = d.match(/-?[\d.]+/g).map(Number), points = [];
      for (let j = 0; j < numbers.length; j += 2) points.push([numbers[j], numbers[j + 1]]);
      let longest = 0, arrowAt = null;
      for (let j = 1; j < points.length; j++) {
        const [[ax, ay], [bx, by]] = [points[j - 1], points[j]], length = Math.hypot(bx - ax, by - ay);
        if (length > longest) {
          longest = length;
          const share = kind === "branch" && length > 60 ? 0.28 : 0.5; // beside what stands in the middle
          arrowAt = [ax + share * (bx - ax), ay + share * (by - ay), (Math.atan2(by - ay, bx - ax) * 180) / Math.PI];
        }
      }
      const halo = svg("path", { class: "halo", d, "stroke-width": 16 });
      const flow = svg("path", { class: "flow", d, visibility: "hidden" });
      const arrow = svg("path", { class: "arrow", d: "M-6 -5.5 L7 0 L-6 5.5 Z" });
      wire.before(halo);
      wire.after(flow);
      group.append(...(longest >= 14 ? [arrow] : []), svg("path", { class: "hit", d }));
      this.wires.push({ wire, flow, arrow, arrowAt, series: kind === "pack" ? "pack_a" : `${kind}_a`, k, way: Number(wire.dataset.way), moved: 0 });
    }

    /* The state of charge of a pack as a filled bar beside its symbol. */
    layTank(group, k) {
      const x = Number(group.dataset.x) - 34, box = svg("rect", { class: "tank", x, y: -19, width: 13, height: 38, rx: 1.5 });
      const fill = svg("rect", { x: x + 1.5, width: 10, fill: this.colour(k) });
      group.append(box, fill);
      this.parts.get(`pack ${k}`).fill = fill;
      return box;
    }

    layScale() {
      const bar = svg("svg", { viewBox: "0 0 150 16", "aria-hidden": "true" });
      for (let j = 0; j < 30; j++) {
        const h = widthOf(j / 29);
        bar.append(svg("rect", { x: 5 * j, y: 8 - h / 2, width: 5.2, height: h, fill: colourOf(j / 29) }));
      }
      this.scaleEnd = el("span");
      this.scale.replaceChildren(el("span", {}, "Current: 0"), bar, this.scaleEnd);
    }

    /* Arrow keys go from one part of the drawing to the next. */
    step(event, item) {
      const keys = [...this.parts.keys()], k = keys.indexOf(item);
      const to = { ArrowRight: k + 1, ArrowDown: k + 1, ArrowLeft: k - 1, ArrowUp: k - 1, Home: 0, End: keys.length - 1 }[event.key];
      if (event.key === "Enter" || event.key === " ") { event.preventDefault(); this.pick(item); }
      if (to === undefined || !keys[to]) return;
      event.preventDefault();
      this.parts.get(item).group[0].setAttribute("tabindex", "-1");
      const group = this.parts.get(keys[to]).group[0];
      group.setAttribute("tabindex", "0");
      group.focus();
    }

    /* Dashes run on by so many seconds, faster where the current is larger. */
    flow(passed) {
      if (this.still.matches) return;
      for (const one of this.wires) {
        one.moved -= passed * one.speed;
        one.flow.setAttribute("stroke-dashoffset", (one.moved % 16).toFixed(2));
      }
    }

    // -- names, figures and verdicts --

    layNames() {
      const item = (kind, k, text) => el("option", { value: `${kind} ${k}` }, text);
      const group = (label, options) => (options.length ? [el("optgroup", { label }, ...options)] : []);
      this.chooser.replaceChildren(el("option", { value: "" }, "nothing picked"),
        ...group("Packs", this.bank.packs.map((name, k) => item("pack", k, name))),
        ...group("Ports", this.bank.ports.map((name, k) => item("port", k, name))),
        ...group("Cables, joints and devices", this.bank.branches.map(([name], k) => item("branch", k, name))));
      this.bars.style.setProperty("--name", `${Math.min(14, Math.max(3, ...this.bank.packs.map((name) => name.length)))}ch`);
      this.rows = this.bank.packs.map((name, k) => {
        const fill = el("i"), share = el("span", { class: "share" }), amps = el("span", { class: "amps" });
        fill.style.background = this.colour(k);
        const button = el("button", { type: "button", "aria-pressed": "false" }, el("span", { class: "name", dir: "auto", title: name }, name),
          el("span", { class: "bar", "aria-hidden": "true" }, fill), share, amps);
        button.addEventListener("click", () => this.pick(this.picked === `pack ${k}` ? "" : `pack ${k}`));
        return { button, fill, share, amps };
      });
      this.bars.replaceChildren(...this.rows.map((row) => el("li", {}, row.button)));
      this.picked = null;
    }

    laySays() {
      const { run } = this;
      this.layVerdicts();
      this.figures.replaceChildren(...run.figures.map(([key, words, text]) =>
        el("tr", {}, el("th", { scope: "row" }, words), el("td", { class: "n", "data-key": key, dir: "auto" }, text))));
      const { head, rows } = run.packs;
      this.packRows.replaceChildren(el("thead", {}, el("tr", {}, ...head.map((words) => el("th", { scope: "col" }, words)))),
        el("tbody", {}, ...rows.map((row) => el("tr", {}, ...row.map((text, k) => el(k ? "td" : "th", k ? {} : { scope: "row" }, text))))));
      const step = run.step_s >= 60 ? `${fixed(run.step_s / 60, 0)} min` : `${run.step_s} s`;
      this.note.textContent = `A sample every ${step}, as the run had it at that instant: state of charge to ±${fixed(50 * run.steps.soc, 2)} points, ` +
        `currents to ±${run.steps.a / 2} A (up to ${run.steps.a} A told as 0), powers to ±${run.steps.w / 2} W. What happens between two samples is in the key figures only.`;
      this.scaleEnd.textContent = `${amperes(run.most_a, 1)} (wider and redder is more; arrows show the direction)`;
    }

    /* Sentences that stay stay in place, so that only new ones are marked and read aloud. */
    layVerdicts() {
      const key = ({ severity, where, text }) => JSON.stringify([severity, where, text]), before = new Map();
      for (const item of this.verdicts.children) before.set(item.dataset.key, item);
      const wanted = new Set(this.run.verdicts.map(key)), first = before.size === 0;
      for (const [name, item] of before) if (!wanted.has(name)) item.remove();
      this.run.verdicts.forEach((verdict, k) => {
        const { severity, where, text } = verdict, there = before.get(key(verdict));
        const item = there || el("li", { "data-key": key(verdict) }, el("strong", {}, severity), where === "bank" ? ": " : ` (${isolated(where)}): `, text);
        item.className = severity + (there || first ? "" : " new");
        if (this.verdicts.children[k] !== item) this.verdicts.insertBefore(item, this.verdicts.children[k] || null);
      });
      this.says.textContent = `This run: ${counted(this.run.verdicts)}.`;
    }

    // -- a moment --

    update() {
      const { run, series, at } = this, t = at * run.step_s;
      const { date, day, time } = timeOf(run, t);
      this.clockTime.textContent = date ? `Day ${day}, ${time}` : timeText(run, t).replace(/^d/, "D");
      this.clockDate.textContent = date + (run.nights ? (atNight(run, t) ? " · night" : " · day") : "");
      this.slider.value = String(at);
      this.slider.setAttribute("aria-valuetext", timeText(run, t));
      this.nowText.textContent = this.clockTime.textContent.replace(" after the start", "");
      const total = series.port_a.reduce((sum, row) => sum + this.flowing(row[at]), 0);
      this.doing.textContent = this.gives(total, "The bank gives", "The bank takes", "The bank rests: no current in or out");
      this.rows.forEach((row, k) => {
        const soc = series.soc[k][at];
        row.fill.style.width = `${100 * Math.max(0, Math.min(1, soc))}%`;
        row.share.textContent = percent(soc);
        row.amps.textContent = this.gives(this.flowing(series.pack_a[k][at]), "gives", "takes", "0 A");
        const fill = this.parts.get(`pack ${k}`).fill, height = 35 * Math.max(0, Math.min(1, soc));
        fill.setAttribute("y", (17.5 - height).toFixed(2));
        fill.setAttribute("height", height.toFixed(2));
      });
      for (const one of this.wires) this.updateWire(one, this.flowing(series[one.series][one.k][at]) * one.way);
      if (this.cursor) this.moveCursor();
      this.read();
      this.root.dispatchEvent(new CustomEvent("moved", { detail: { seconds: t } }));
    }

    updateWire(one, current) {
      const share = Math.min(1, Math.abs(current) / (this.run.most_a || 1)), width = widthOf(share), none = current === 0;
      one.wire.setAttribute("stroke", colourOf(share));
      one.wire.setAttribute("stroke-width", width.toFixed(2));
      one.flow.setAttribute("stroke-width", Math.max(1, width * 0.4).toFixed(2));
      one.flow.setAttribute("visibility", none || this.still.matches || !this.frame ? "hidden" : "visible");
      one.speed = none ? 0 : Math.sign(current) * (8 + 70 * share);
      if (!one.arrowAt) return;
      const [x, y, angle] = one.arrowAt;
      one.arrow.setAttribute("visibility", none ? "hidden" : "visible");
      one.arrow.setAttribute("fill", colourOf(share));
      one.arrow.setAttribute("transform", `translate(${x} ${y}) rotate(${angle + (current < 0 ? 180 : 0)}) scale(${(0.75 + 0.75 * share).toFixed(2)})`);
    }

    /* A current of one step, which may be half as large, is told as none, so that a bank at rest rests everywhere. */
    flowing(current) { return Math.abs(current) < 1.5 * this.run.steps.a ? 0 : current; }

    gives(current, out, into, none) {
      return current === 0 ? none : `${current > 0 ? out : into} ${amperes(current, this.run.steps.a)}`;
    }

    /* What is looked at, in words. */
    read() {
      if (!this.picked) { this.reading.textContent = "Its values at this time stand here."; return; }
      const { series, at, bank, run } = this, [kind, number] = this.picked.split(" "), k = Number(number);
      const when = timeText(run, at * run.step_s);
      if (kind === "pack") {
        const words = this.gives(this.flowing(series.pack_a[k][at]), "it gives", "it takes", "no current flows in it");
        this.reading.textContent = `Pack ${isolated(bank.packs[k])} (${bank.capacity[k]}): ${percent(series.soc[k][at])} full; ${words}. ${when}.`;
      } else if (kind === "port") {
        const current = this.flowing(series.port_a[k][at]), words = current === 0 ? "no current" : `${amperes(current, run.steps.a)}, ${watts(series.port_w[k][at])} ${current > 0 ? "out of" : "into"} the bank`;
        this.reading.textContent = `Port ${isolated(bank.ports[k])}: ${words}. ${when}.`;
      } else {
        const [name, from, to] = bank.branches[k], current = this.flowing(series.branch_a[k][at]);
        const [a, b] = current < 0 ? [to, from] : [from, to];
        const words = current === 0 ? "no current" : `${amperes(current, run.steps.a)} from ${isolated(a)} to ${isolated(b)}`;
        this.reading.textContent = `${isolated(name)}: ${words}. ${when}.`;
      }
    }

    colour(k) {
      const { colours, packs } = this.bank;
      if (packs.length <= colours.length) return colours[k];
      const shade = 0.12 + (0.62 * k) / (packs.length - 1); // from dark to light
      return `rgb(${[0.9 * shade, 0.95 * shade, Math.min(1, 1.1 * shade + 0.1)].map((part) => Math.round(255 * part)).join(",")})`;
    }

    // -- lines over time --

    drawChart() {
      const { run, series, bank, kind } = this, whole = Math.max(260, this.chart.clientWidth), high = whole < 600 ? 240 : 300;
      const names = kind === "port_w" ? bank.ports : bank.packs, rows = series[kind];
      const longest = Math.max(...names.map((name) => Math.min(name.length, 14)));
      const box = { left: 46, right: whole - 16 - 7.2 * longest, top: 12, bottom: high - 40 };
      const last = Math.max(run.step_s, (run.samples - 1) * run.step_s);
      const [low, top, ticks, label] = this.heights(kind, rows);
      const x = (s) => box.left + (s / last) * (box.right - box.left), y = (v) => box.bottom - ((v - low) / (top - low)) * (box.bottom - box.top);
      const words = { soc: "State of charge of each pack", pack_a: "Current of each pack, out of it above zero,", port_w: "Power at each port, out of the bank above zero," }[kind];
      const picture = svg("svg", { viewBox: `0 0 ${whole} ${high}`, height: high, role: "img", "aria-label": `${words} over time, a line each. The values at the chosen time stand beside the bars and under the drawing.` });
      for (const [a, b] of run.nights || []) {
        picture.append(svg("rect", { class: "night", x: x(a), y: box.top, width: Math.max(0, x(Math.min(b, last)) - x(a)), height: box.bottom - box.top }));
        if (x(b) - x(a) > 40) picture.append(svg("text", { class: "quiet", x: (x(a) + x(Math.min(b, last))) / 2, y: box.top + 13, "text-anchor": "middle" }, "night"));
      }
      for (const value of ticks) {
        picture.append(svg("line", { x1: box.left, x2: box.right, y1: y(value), y2: y(value), stroke: value === 0 && low < 0 ? "#565c66" : "#d5d9e0" }),
          svg("text", { x: box.left - 6, y: y(value) + 4, "text-anchor": "end" }, label(value)));
      }
      this.drawHours(picture, box, x, last);
      const ends = rows.map((row, k) => this.drawLine(picture, row, k, names, x, y));
      this.labelEnds(picture, ends, box);
      this.cursor = svg("g", {}, undefined);
      this.cursor.append(svg("line", { y1: box.top - 6, y2: box.bottom, stroke: "#22252b", "stroke-width": 1.5 }),
        svg("path", { d: `M-6 ${box.top - 10} h12 l-6 8 Z`, fill: "#22252b" }));
      this.dots = rows.map((row, k) => svg("circle", { r: 4, fill: "#fff", stroke: this.lineColour(k), "stroke-width": 2.5 }));
      picture.append(this.cursor, ...this.dots);
      this.chartFrame = { box, last, x, y, rows, whole };
      this.chart.replaceChildren(picture);
      this.moveCursor();
    }

    lineColour(k) { return this.kind === "port_w" ? this.bank.colours[k % this.bank.colours.length] : this.colour(k); }

    drawLine(picture, row, k, names, x, y) {
      const { step_s } = this.run, picked = this.picked === `${this.kind === "port_w" ? "port" : "pack"} ${k}`;
      let d = "";
      row.forEach((value, j) => { d += `${j ? "L" : "M"}${x(j * step_s).toFixed(1)} ${y(value).toFixed(1)}`; });
      picture.append(svg("path", { d, fill: "none", stroke: this.lineColour(k), "stroke-width": picked ? 4.5 : 2.2, "stroke-dasharray": DASHES[k % DASHES.length], "stroke-linejoin": "round" }));
      return { name: names[k], y: y(row[row.length - 1]), k, picked };
    }

    /* Names at the ends of lines, moved apart so that none covers another; of many only some. */
    labelEnds(picture, ends, box) {
      ends.sort((a, b) => a.y - b.y);
      const most = Math.max(2, Math.floor((box.bottom - box.top) / 15)), every = Math.ceil(ends.length / most);
      const shown = ends.filter((end, k) => k % every === 0 || k === ends.length - 1 || end.picked);
      let places = shown.map((end) => end.y);
      for (let round = 0; round < 60; round++) {
        for (let k = 1; k < places.length; k++) {
          const lacks = 15 - (places[k] - places[k - 1]);
          if (lacks > 0) { places[k - 1] -= lacks / 2; places[k] += lacks / 2; }
        }
        const over = Math.max(0, places[places.length - 1] - box.bottom), under = Math.max(0, box.top - places[0]);
        places = places.map((place) => place - over + under);
      }
      shown.forEach((end, k) => {
        picture.append(svg("line", { x1: box.right + 1, x2: box.right + 9, y1: end.y, y2: places[k], stroke: "#8a94a2" }),
          svg("text", { x: box.right + 12, y: places[k] + 4, "font-weight": "bold", style: "font-weight:bold" }, short(end.name, 14)));
      });
    }

    /* Bottom and top of the chart, where lines stand across it, and how they are called. */
    heights(kind, rows) {
      if (kind === "soc") return [0, 1, [0, 0.25, 0.5, 0.75, 1], (value) => `${100 * value} %`];
      let low = 0, top = 0;
      for (const row of rows) for (const value of row) { if (value < low) low = value; if (value > top) top = value; }
      const rough = (top - low || 1) / 4, power = 10 ** Math.floor(Math.log10(rough)), step = [1, 2, 5, 10].find((n) => n * power >= rough * 0.999) * power;
      const ticks = [];
      for (let n = Math.floor(low / step); n <= Math.ceil(top / step); n++) ticks.push(n * step);
      if (ticks.length < 2) ticks.push(ticks[0] + step);
      const kilo = kind === "port_w" && step >= 500, digits = Math.max(0, -Math.floor(Math.log10(step / (kilo ? 1000 : 1)) + 1e-9));
      const unit = kind === "port_w" ? (kilo ? "kW" : "W") : "A";
      return [ticks[0], ticks[ticks.length - 1], ticks, (value) => `${fixed(kilo ? value / 1000 : value, digits)} ${unit}`];
    }

    drawHours(picture, box, x, last) {
      const { run } = this, room = Math.max(2, Math.floor((box.right - box.left) / 62));
      const step = [1, 2, 5, 10, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400, 172800, 604800, 2592000, 31536000].find((s) => last / s <= room) || last;
      const offset = run.start ? Number(run.start.slice(11, 13)) * 3600 + Number(run.start.slice(14, 16)) * 60 : 0;
      for (let s = Math.ceil(offset / step) * step - offset; s <= last + 1e-6; s += step) {
        const { date, day, time } = timeOf(run, s), midnight = (s + offset) % 86400 === 0;
        picture.append(svg("line", { x1: x(s), x2: x(s), y1: box.bottom, y2: box.bottom + 5, stroke: "#22252b" }),
          svg("text", { x: x(s), y: box.bottom + 19, "text-anchor": "middle" }, time.replace(/^0(\d:)/, "$1")));
        if ((midnight || s === 0) && last > 86400 && s < last) {
          picture.append(svg("text", { x: x(s), y: box.bottom + 34, "text-anchor": s === 0 ? "start" : "middle", class: "quiet" }, date ? date.replace(/ \d+$/, "").replace(/ (\w{3})\w+/, " $1") : `day ${day}`));
        }
      }
      if (last <= 86400) picture.append(svg("text", { x: (box.left + box.right) / 2, y: box.bottom + 35, "text-anchor": "middle", class: "quiet" }, run.start ? timeOf(run, 0).date : last > 600 ? "hours after the start" : "after the start"));
    }

    moveCursor() {
      const { x, y, rows } = this.chartFrame, at = x(this.at * this.run.step_s);
      this.cursor.setAttribute("transform", `translate(${at.toFixed(1)} 0)`);
      this.dots.forEach((dot, k) => { dot.setAttribute("cx", at.toFixed(1)); dot.setAttribute("cy", y(rows[k][this.at]).toFixed(1)); });
    }

    /* A press on the chart goes to that time; so does dragging on. */
    bindChart() {
      const go = (event) => {
        const { box, last, whole } = this.chartFrame, frame = this.chart.getBoundingClientRect();
        const at = ((event.clientX - frame.left) * whole) / frame.width;
        this.pause();
        this.seek(((at - box.left) / (box.right - box.left)) * last);
      };
      this.chart.addEventListener("pointerdown", (event) => { this.chart.setPointerCapture(event.pointerId); go(event); });
      this.chart.addEventListener("pointermove", (event) => event.buttons & 1 && go(event));
    }
  }

  BankView.inflated = inflated;
  BankView.counted = counted;
  return BankView;
})();
