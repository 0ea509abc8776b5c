/* Settings of the page and the run that belongs to them. Which runs there are stands in the block "index", their series in "series",
   a line each; both are deflated, and a run is unpacked when it is first shown. */
"use strict";

(async () => {
  const $ = (id) => document.getElementById(id);
  const say = (words) => { $("reading").hidden = true; $("problem").hidden = false; $("problem").textContent = words; };
  let index;
  try {
    index = JSON.parse(new TextDecoder().decode(await BankView.inflated($("index").textContent)));
  } catch (error) {
    say(error.message);
    return;
  }
  const lines = $("series").textContent.split("\n"), { controls } = index;
  const view = new BankView($("view")), ready = new Map();
  let chosen = pointOf(index.begin), token = 0;

  /* A run as the view takes it. */
  function runOf(number) {
    if (!ready.has(number)) {
      const run = index.runs[number];
      ready.set(number, {
        series: lines[run.line], samples: run.samples, rows: index.rows[run.rows], step_s: run.step_s || index.step_s, steps: index.steps, most_a: index.most_a,
        ...index.calendars[run.calendar],
        verdicts: run.verdicts.map((k) => index.verdicts[k]),
        figures: index.figures.map(([key, words], k) => [key, words, run.figures[k]]),
        packs: { head: index.pack_head, rows: run.packs },
      });
    }
    return ready.get(number);
  }

  /* Runs stand in the order of their settings, the last setting changing fastest. */
  function pointOf(number) {
    const point = [];
    for (let k = controls.length - 1; k >= 0; k--) {
      const many = controls[k].texts.length;
      point[k] = number % many;
      number = Math.floor(number / many);
    }
    return point;
  }

  const numberOf = (point) => point.reduce((number, value, k) => number * controls[k].texts.length + value, 0);

  /* What to say beside a setting where runs with other values of it are the same as the one shown. */
  function alikeAlong(k, number) {
    const { texts } = controls[k], { same } = index.runs[number];
    if (same === undefined) return "";
    const alike = texts.filter((_, value) => value !== chosen[k] && index.runs[numberOf(chosen.map((is, j) => (j === k ? value : is)))].same === same);
    if (!alike.length) return "";
    return alike.length === texts.length - 1 ? "Changes nothing here: with every value of it the run is the same."
      : `The run is the same with ${alike.join(", ")}.`;
  }

  /* A command in words, of which none is parted at its hyphens, as a line of text would. */
  function layCommand(text) {
    $("command").replaceChildren(...text.split(" ").flatMap((word, k) => [...(k ? [" "] : []), Object.assign(document.createElement("span"), { textContent: word })]));
  }

  async function show() {
    const number = numberOf(chosen), run = index.runs[number], mine = ++token;
    controls.forEach((control, k) => {
      const text = control.texts[chosen[k]];
      if (control.numbers) {
        $(`set${k}`).value = String(chosen[k]);
        $(`set${k}`).setAttribute("aria-valuetext", text);
        $(`is${k}`).textContent = text;
      } else {
        document.querySelector(`input[name="set${k}"][value="${chosen[k]}"]`).checked = true;
      }
    });
    controls.forEach((_, k) => { $(`same${k}`).textContent = alikeAlong(k, number); });
    layCommand(run.command);
    markRow(number);
    $("problem").hidden = !run.failure;
    $("view").hidden = Boolean(run.failure);
    if (run.failure) {
      view.pause();
      const head = document.createElement("strong");
      head.textContent = "There is no run at these settings. ";
      $("problem").replaceChildren(head, run.failure);
    } else {
      try {
        await view.show(index.banks[run.bank], runOf(number), () => mine === token);
      } catch (error) {
        say(error.message);
      }
    }
    $("reading").hidden = true;
    if (mine !== token) return; // another run was asked for meanwhile
    document.dispatchEvent(new CustomEvent("runshown", { detail: { number, point: [...chosen], failure: run.failure || null, view } }));
  }

  document.addEventListener("showpoint", (event) => { chosen = [...event.detail.point]; $("nearest").textContent = ""; show(); });

  function set(k, value, note = "") {
    chosen[k] = value;
    $("nearest").textContent = note;
    return show();
  }

  /* The nearest value that was run; of two that are equally near the smaller. */
  function nearest(numbers, wanted) {
    let best = 0;
    numbers.forEach((number, k) => { if (Math.abs(number - wanted) < Math.abs(numbers[best] - wanted)) best = k; });
    return best;
  }

  controls.forEach((control, k) => {
    if (!control.numbers) {
      document.querySelectorAll(`input[name="set${k}"]`).forEach((input) => input.addEventListener("change", () => set(k, Number(input.value))));
      return;
    }
    const typed = $(`type${k}`);
    $(`set${k}`).addEventListener("input", (event) => { typed.value = ""; set(k, event.target.valueAsNumber); });
    typed.addEventListener("change", () => {
      if (!Number.isFinite(typed.valueAsNumber)) return;
      const wanted = typed.valueAsNumber, at = nearest(control.numbers, wanted), unit = control.unit ? ` ${control.unit}` : "";
      const { numbers, texts } = control, outside = wanted < numbers[0] || wanted > numbers[numbers.length - 1];
      const note = numbers[at] === wanted ? ""
        : outside ? `${control.label}: ${wanted}${unit} was not run: it is outside what was run (${numbers[0]} to ${texts[texts.length - 1]}). Shown: ${texts[at]}.`
          : `${control.label}: ${wanted}${unit} was not run. Shown: ${texts[at]}, the nearest that was run.`;
      set(k, at, note);
    });
  });
  $("controls").addEventListener("submit", (event) => event.preventDefault());

  // ---- every run ----

  const IN_TABLE = ["spread_max_points", "share_ratio_max", "first_full_h", "first_empty_h", "conductor_loss_wh", "unmet_wh"];

  function cell(tag, text, attributes = {}) {
    const made = document.createElement(tag);
    made.textContent = text;
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  }

  function fillTable() {
    const table = document.querySelector("#table table"), place = (key) => index.figures.findIndex(([name]) => name === key);
    const none = (key) => index.runs.every((run) => run.failure || run.figures[place(key)] === "–"); // of a duty that only charges
    const columns = IN_TABLE.map((key) => place(key === "share_ratio_max" && none(key) ? "share_ratio_charge_max" : key));
    const head = document.createElement("tr"), body = document.createElement("tbody");
    head.append(cell("th", "", { scope: "col" }), ...controls.map((control) => cell("th", control.label, { scope: "col" })),
      ...columns.map((k) => cell("th", index.figures[k][1], { scope: "col" })), cell("th", "verdicts", { scope: "col" }));
    index.runs.forEach((run, number) => {
      const row = document.createElement("tr"), point = pointOf(number), words = point.map((value, k) => controls[k].texts[value]);
      const button = cell("button", "show", { type: "button", "aria-label": `show ${words.join(", ")}` }), first = document.createElement("td");
      button.addEventListener("click", () => { chosen = point.slice(); $("nearest").textContent = ""; show(); $("controls").scrollIntoView({ block: "start" }); });
      first.append(button);
      row.append(first, ...words.map((text) => cell("td", text, { dir: "auto" })));
      if (run.failure) row.append(cell("td", run.failure, { colspan: String(columns.length + 1) }));
      else row.append(...columns.map((k) => cell("td", run.figures[k])), cell("td", BankView.counted(run.verdicts.map((k) => index.verdicts[k]))));
      body.append(row);
    });
    const top = document.createElement("thead");
    top.append(head);
    table.replaceChildren(top, body);
    markRow(numberOf(chosen));
  }

  function markRow(number) {
    document.querySelectorAll("#table tbody tr").forEach((row, k) => row.setAttribute("aria-current", String(k === number)));
  }

  $("table").addEventListener("toggle", () => { if (!document.querySelector("#table tbody")) fillTable(); });
  await show();
})();
