/* Predict, then reveal: which run a prediction asks about stays covered until its card is revealed. What was chosen is kept in this
   page alone and is gone when it is closed. */
"use strict";

(() => {
  const $ = (id) => document.getElementById(id);
  const cards = [...document.querySelectorAll(".card")].map((form, k) => ({
    form, k, run: Number(form.dataset.run), point: form.dataset.point.split(",").map(Number), right: Number(form.dataset.right),
    from: Number(form.dataset.from), until: Number(form.dataset.until || Infinity), open: false,
  }));
  const still = window.matchMedia("(prefers-reduced-motion: reduce)"), all = document.querySelector('section[aria-labelledby="all-runs"]');
  const questions = document.querySelector(".questions"); // their words give away what predictions ask
  const later = make("p", "The questions for the class come when every prediction has been revealed.", { class: "fine" });
  questions.before(later);
  let shown = null, waiting = null, stopAt = Infinity, watched = null;

  function make(tag, words, attributes = {}) {
    const made = document.createElement(tag);
    if (words) made.textContent = words;
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    return made;
  }

  const told = make("div", "", { class: "told", id: "told", tabindex: "-1", role: "region", "aria-live": "polite", "aria-label": "What the run shows" });
  const cover = make("div", "", { class: "cover", id: "cover" });
  told.hidden = cover.hidden = true;
  $("view").before(told, cover);

  /* Brings a part to the top of the window, below the settings where these stay in sight. */
  function bringUp(part) {
    const settings = $("controls"), below = getComputedStyle(settings).position === "sticky" ? settings.offsetHeight : 0;
    part.style.scrollMarginTop = `${below + 8}px`;
    part.scrollIntoView({ block: "start" });
  }

  // ---- cards, one at a time ----

  function turnTo(k, move = true) {
    cards.forEach((card) => { card.form.hidden = card.k !== k; });
    if (!move) return;
    $("predict").scrollIntoView({ block: "start" });
    const { form } = cards[k];
    (form.querySelector("input:checked") || form.querySelector("input")).focus({ preventScroll: true });
  }

  // ---- what is covered ----

  function lay() {
    const asked = shown && cards.find((card) => card.run === shown.number && !card.open);
    $("view").classList.toggle("covered", Boolean(asked));
    cover.hidden = !asked;
    all.hidden = questions.hidden = cards.some((card) => !card.open);
    later.hidden = !all.hidden;
    if (asked) {
      shown.view.pause();
      const button = make("button", `Go to prediction ${asked.k + 1}`, { type: "button" });
      button.addEventListener("click", () => turnTo(asked.k));
      cover.replaceChildren(make("p", `This run is covered: prediction ${asked.k + 1} asks what happens in it. Say what you expect, then reveal it.`),
        document.createElement("br"), button);
    }
  }

  document.addEventListener("runshown", (event) => {
    const before = shown;
    shown = event.detail;
    if (watched === null) {
      watched = shown.view;
      watched.root.addEventListener("moved", (moved) => { if (moved.detail.seconds >= stopAt) { stopAt = Infinity; watched.pause(); } });
      watched.root.addEventListener("pointerdown", () => { stopAt = Infinity; }); // from then on it is the reader's
      watched.root.addEventListener("keydown", () => { stopAt = Infinity; });
    }
    if (before && before.number !== shown.number && waiting === null) { told.hidden = true; stopAt = Infinity; }
    lay();
    if (waiting && waiting.run === shown.number) { const card = waiting; waiting = null; play(card); }
  });

  function play(card) {
    const { view } = shown;
    view.pause();
    if (still.matches) { view.seek(Number.isFinite(card.until) ? card.until : card.from); return; }
    view.seek(card.from);
    stopAt = card.until;
    view.play();
  }

  // ---- reveal ----

  function reveal(card, guessed) {
    const { form } = card, labels = [...form.querySelectorAll("label")], words = (k) => labels[k].querySelector("span").textContent;
    const picked = form.querySelector("input:checked"), choice = picked && guessed ? Number(picked.value) : null;
    card.open = true;
    labels.forEach((label, k) => label.classList.toggle("shown", k === card.right));
    form.querySelector(".reveal").textContent = "Show it again";
    form.querySelector(".plain").hidden = true;
    form.querySelector(".hint").textContent = "";
    const said = choice === null ? `The run shows: ${words(card.right)}.`
      : choice === card.right ? `You said “${words(choice)}”, and that is what the run shows.`
        : `You said “${words(choice)}”. The run shows: ${words(card.right)}.`;
    const reply = choice !== null && choice !== card.right ? form.querySelectorAll(".reply")[choice].textContent : "";
    const row = make("p", "", { class: "press" }), again = make("button", "Play it again", { type: "button", class: "plain" });
    again.addEventListener("click", () => { waiting = card; go(card); bringUp($("view")); });
    const why = make("details"), wide = window.matchMedia("(min-width: 900px)").matches; // on a phone the run is seen first, then why
    why.append(make("summary", "Why is that so?"), ...[...form.querySelectorAll(".why")].map((part) => make("p", part.textContent)));
    why.open = wide || still.matches;
    if (card.k + 1 < cards.length) {
      const next = make("button", `Prediction ${card.k + 2} →`, { type: "button", class: "first" });
      next.addEventListener("click", () => turnTo(card.k + 1));
      row.append(next);
    } else {
      const next = make("button", "To the questions ↓", { type: "button", class: "first" });
      next.addEventListener("click", () => { $("questions").scrollIntoView({ block: "start" }); $("questions").setAttribute("tabindex", "-1"); $("questions").focus({ preventScroll: true }); });
      row.append(next);
    }
    row.append(again);
    told.hidden = false;
    told.replaceChildren(make("h2", `Prediction ${card.k + 1}`), make("p", said, { class: "result" }), ...(reply ? [make("p", reply)] : []),
      why, row);
    waiting = card;
    go(card);
    bringUp(told);
    told.focus({ preventScroll: true });
  }

  function go(card) { document.dispatchEvent(new CustomEvent("showpoint", { detail: { point: card.point } })); }

  for (const card of cards) {
    const { form } = card;
    form.addEventListener("submit", (event) => event.preventDefault());
    form.querySelector(".reveal").addEventListener("click", () => {
      if (form.querySelector("input:checked") || card.open) reveal(card, true);
      else { form.querySelector(".hint").textContent = "Choose first: a guess, right or wrong, is how one learns from this. Or show it without one."; form.querySelector("input").focus(); }
    });
    form.querySelector(".plain").addEventListener("click", () => reveal(card, false));
    form.querySelector(".back")?.addEventListener("click", () => turnTo(card.k - 1));
    form.querySelector(".on")?.addEventListener("click", () => turnTo(card.k + 1));
    form.addEventListener("change", () => { form.querySelector(".hint").textContent = ""; });
  }
  $("uncover").addEventListener("click", () => { for (const card of cards) card.open = true; lay(); });
  $("view").classList.add("covered"); // until it is known which run it shows
  turnTo(0, false);

  // ---- on paper ----

  $("print-note").addEventListener("click", () => {
    const folded = [...document.querySelectorAll(".lesson details:not([open])")];
    for (const part of folded) part.open = true;
    document.body.classList.add("note-only");
    window.print();
    document.body.classList.remove("note-only");
    for (const part of folded) part.open = false;
  });
})();
