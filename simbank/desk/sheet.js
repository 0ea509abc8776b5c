// The forms of the desk: shows what forms.py describes, and tells what is typed, chosen and pressed. No value is computed here.
import * as Vue from "vue";

const h = Vue.h;

export default {
  props: { sections: Array, errors: Object, force: Number, focus: Object, heard: Number },
  emits: ["op"],
  data() {
    // typed: id of a field → {text, at, until}: what stands in it while one types, and until the answer to operation `until` is here
    return { typed: {}, open: {}, adding: {} };
  },
  watch: {
    // undo, another file: what the document says stands in every field, but for those typed in since the button was pressed
    force() {
      for (const id of Object.keys(this.typed)) if (this.typed[id].at <= this.pressed) delete this.typed[id];
    },
    heard(until) {
      for (const id of Object.keys(this.typed)) if (this.typed[id].until <= until) delete this.typed[id];
    },
    // once for each number: every update of the sheet brings the last focus again
    focus(want) {
      if (!want || !want.id || want.n <= this.focused) return;
      this.focused = want.n;
      if (this.isElsewhere()) return;
      this.$nextTick(() => {
        const found = document.getElementById(want.id) || this.$el.querySelector(`[data-at="${CSS.escape(want.id)}"]`);
        const target = found && (found.matches("input,select,button") ? found : found.querySelector("input,select") || found.querySelector("button,summary"));
        if (target) target.focus();
      });
    },
  },
  methods: {
    say(op) {
      const now = performance.now();
      window.deskTyped = now;
      if (!["put", "rename", "pause"].includes(op.op)) Object.assign(this, { asked: now, from: document.activeElement });
      this.sent += 1;
      this.$emit("op", { ...op, n: this.sent });
    },
    // whether the person types, or has gone to another field, since what was done last
    isElsewhere() {
      const at = document.activeElement;
      return !!at && at.matches("input, select, textarea") && (at !== this.from || this.keyed > this.asked);
    },
    // what is typed stays in the field until the answer to it is here, whatever else is shown meanwhile
    hold(id, text) {
      this.typed[id] = { text, at: performance.now(), until: Infinity };
    },
    release(id) {
      if (id in this.typed) this.typed[id].until = this.sent;
    },
    // ---- a field ----
    field(f, inTable, row) {
      const wrong = this.errors[f.id] || [];
      const said = f.id in this.typed ? this.typed[f.id].text : f.value;
      const about = [];
      if (f.help && !inTable) about.push(`${f.id}.help`);
      if (f.note) about.push(`${f.id}.note`);
      if (wrong.length) about.push(`${f.id}.wrong`);
      const common = {
        id: f.id,
        "aria-describedby": about.join(" ") || undefined,
        "aria-invalid": wrong.length ? "true" : undefined,
        "aria-label": inTable ? `${f.label} of ${row}` : undefined,
        title: inTable && f.help ? f.help : undefined,
      };
      const done = () => {
        if (!(f.id in this.typed)) return;
        this.say({ op: "pause" });
        this.release(f.id);
      };
      const choose = (text) => {
        this.hold(f.id, text);
        this.say({ op: f.op, place: f.place, text, type: f.type });
        this.release(f.id);
      };
      let input;
      if (f.input === "select") {
        input = h(
          "select",
          {
            ...common,
            onChange: (e) => choose(e.target.value),
            value: said,
          },
          f.options.map(([value, words]) => h("option", { value, selected: value === said }, words)),
        );
      } else if (f.input === "check") {
        input = h("input", {
          ...common,
          type: "checkbox",
          checked: said === "true",
          onChange: (e) => choose(e.target.checked ? "true" : ""),
        });
      } else {
        const list = f.options ? `${f.id}.list` : undefined;
        const late = f.op === "rename";
        input = h("input", {
          ...common,
          type: "text",
          value: said,
          list,
          size: inTable ? 7 : undefined,
          autocomplete: "off",
          spellcheck: "false",
          placeholder: f.default || undefined,
          onInput: (e) => {
            this.hold(f.id, e.target.value);
            if (!late) this.say({ op: f.op, place: f.place, text: e.target.value, type: f.type });
          },
          onChange: (e) => late && this.say({ op: f.op, place: f.place, text: e.target.value, type: f.type }),
          onBlur: done,
          onKeydown: (e) => {
            if (e.key === "Enter") e.target.dispatchEvent(new Event("change"));
          },
        });
        if (list) input = [input, h("datalist", { id: list }, f.options.map(([value]) => h("option", { value })))];
      }
      const below = [
        f.note ? h("span", { class: "note", id: `${f.id}.note` }, f.note) : null,
        wrong.length ? h("span", { class: "wrong", id: `${f.id}.wrong` }, wrong.map((text) => h("span", text))) : null,
      ];
      if (inTable) return [input, ...below];
      return h("div", { class: ["field", wrong.length ? "has-wrong" : ""], key: f.id }, [
        h("label", { for: f.id }, [
          f.label,
          f.required ? h("span", { class: "must" }, " (needed)") : null,
          f.takes ? h("span", { class: "takes" }, ` ${f.takes}`) : null,
        ]),
        input,
        ...below,
        f.help ? h("span", { class: "help", id: `${f.id}.help` }, f.help) : null,
      ]);
    },
    wrongOf(id) {
      const wrong = this.errors[id];
      return wrong ? h("p", { class: "wrong", id: `${id}.wrong` }, wrong.map((text) => h("span", text))) : null;
    },
    button(words, op, label, disabled, kind) {
      return h(
        "button",
        { type: "button", class: kind, "aria-label": label, disabled: disabled || undefined, onClick: () => this.say(op) },
        words,
      );
    },
    // ---- something that opens and closes; what was opened stays so ----
    fold(id, title, inside, count, open) {
      const isOpen = id in this.open ? this.open[id] : !!open;
      const wrong = this.holdsWrong(inside);
      return h(
        "details",
        {
          open: isOpen || wrong,
          key: `fold.${id}`,
          class: "fold",
          onToggle: (e) => {
            if (e.target === e.currentTarget) this.open[id] = e.target.open;
          },
        },
        [
          h("summary", [title, count ? h("span", { class: "count" }, ` ${count}`) : null, wrong ? h("span", { class: "wrong-mark" }, " has an error") : null]),
          // what is not open is not made: a page of ten packs has thousands of fields
          isOpen || wrong ? this.show(inside) : null,
        ],
      );
    },
    holdsWrong(parts) {
      const has = (id) => id in this.errors;
      const look = (p) =>
        !!p &&
        (has(p.id) ||
          (p.fields || []).some(look) ||
          (p.more || []).some(look) ||
          (p.parts || []).some(look) ||
          (p.entries || []).some(look) ||
          (p.rows || []).some((row) => row.cells.some(look) || row.more.some(look)));
      return parts.some(look);
    },
    show(parts) {
      return parts.map((p) => this.part(p));
    },
    part(p) {
      if (p.kind === "field") return this.field(p);
      if (p.kind === "more") return this.fold(`more.${p.title}`, p.title, p.parts);
      return this[p.kind](p);
    },
    absent(p) {
      return h("div", { class: "absent", key: p.id, "data-at": p.id }, [
        this.button(`Add ${p.title}`, { op: "start", place: p.place, model: p.model }, `Add ${p.title}`, false, "quiet"),
        h("span", { class: "help inline" }, p.about),
        this.wrongOf(p.id),
      ]);
    },
    form(p) {
      const inside = [
        this.wrongOf(p.id),
        h("div", { class: "fields" }, p.fields.map((f) => this.field(f))),
        ...this.show(p.parts),
        p.more.length ? this.fold(`${p.id}.more`, p.title ? `More of ${p.title}` : "More keys", [{ kind: "plain", fields: p.more }], `${p.more.length} keys`) : null,
      ];
      if (!p.title) return h("div", { key: p.id, "data-at": p.id }, inside);
      return h("fieldset", { key: p.id, "data-at": p.id }, [
        h("legend", p.title),
        h("div", { class: "bar" }, [
          h("span", { class: "help inline" }, p.about),
          p.movable ? this.button("↑", { op: "move", place: p.place, by: -1 }, `Move ${p.title} up`, p.place[p.place.length - 1] === 0, "small") : null,
          p.movable ? this.button("↓", { op: "move", place: p.place, by: 1 }, `Move ${p.title} down`, p.last, "small") : null,
          p.removable ? this.button("Remove", { op: "drop", place: p.place }, `Remove ${p.title}`, false, "small") : null,
        ]),
        ...inside,
      ]);
    },
    plain(p) {
      return h("div", { class: "fields" }, p.fields.map((f) => (f.kind === "field" ? this.field(f) : this.part(f))));
    },
    pairs(p) {
      const adder = `${p.id}.new`;
      return h("fieldset", { key: p.id, "data-at": p.id }, [
        h("legend", p.title),
        h("p", { class: "help inline" }, p.about),
        this.wrongOf(p.id),
        h("div", { class: "fields" }, p.fields.map((f) => h("div", { class: "with-button" }, [this.field(f), this.button("Remove", { op: "drop", place: f.place }, `Remove ${f.label}`, false, "small")]))),
        this.adder(adder, "name of a branch", (name) => ({ op: "put", place: [...p.place, name], text: "0.5 milliohm", type: "text", assumed: true }), "Add"),
      ]);
    },
    adder(id, label, op, words) {
      const add = () => {
        const name = (this.adding[id] || "").trim();
        if (name) {
          this.say(op(name));
          this.adding[id] = "";
        }
      };
      return h("div", { class: "adder" }, [
        h("label", { for: id }, label),
        h("input", {
          id,
          type: "text",
          value: this.adding[id] || "",
          autocomplete: "off",
          onInput: (e) => (this.adding[id] = e.target.value),
          onKeydown: (e) => e.key === "Enter" && add(),
        }),
        h("button", { type: "button", class: "quiet", onClick: add }, words),
      ]);
    },
    list(p) {
      return h("div", { class: "list", key: p.id, "data-at": p.id }, [
        h("h3", p.title),
        p.about ? h("p", { class: "help inline" }, p.about) : null,
        this.wrongOf(p.id),
        ...p.entries
          .map((entry, k) => ({ ...entry, last: k === p.entries.length - 1 }))
          .map((entry) => (p.entries.length > 3 ? this.fold(entry.id, entry.title, [entry]) : this.form(entry))),
        p.named
          ? this.adder(`${p.id}.new`, `name of a new ${p.add}`, (name) => ({ op: "start", place: [...p.place, name], model: p.model }), `Add ${p.add}`)
          : this.button(`Add ${p.add}`, { op: "insert", place: p.place, model: p.model }, undefined, false, "quiet"),
      ]);
    },
    // what is only said stands after the name and the make
    between(cells, said) {
      return said.length ? [...cells.slice(0, 2), ...said, ...cells.slice(2)] : cells;
    },
    table(p) {
      const last = p.rows.length - 1;
      const wide = p.columns.length + p.said.length + 1;
      const heading = (words) => h("span", { class: "heading", "aria-hidden": "true" }, words); // where rows are cards
      return h("div", { class: "list", key: p.id, "data-at": p.id }, [
        this.wrongOf(p.id),
        h("div", { class: "wide", tabindex: 0, role: "region", "aria-label": p.title }, [
          h("table", { class: "edit" }, [
            h("caption", h("span", p.title)),
            h("thead", [
              h("tr", [
                ...this.between(
                  p.columns.map((c) => h("th", { scope: "col", title: c.help }, [c.label, h("span", { class: "takes" }, c.takes)])),
                  p.said.map((words) => h("th", { scope: "col" }, words)),
                ),
                h("th", { scope: "col" }, "row"),
              ]),
            ]),
            h(
              "tbody",
              p.rows.flatMap((row, k) => {
                const id = `row.${row.place.join(".")}`;
                const moreOpen = this.open[id] || this.holdsWrong(row.more);
                const made = [
                  h("tr", { key: id, "data-at": `at.${row.place.join(".")}` }, [
                    p.what === "pack" ? null : h("td", { class: "card-name", "aria-hidden": "true" }, row.name),
                    ...this.between(
                      row.cells.map((cell, j) => h("td", [heading(p.columns[j].label), this.field(cell, true, row.name)])),
                      row.said.map((words, j) => h("td", { class: "said" }, [heading(p.said[j]), words])),
                    ),
                    h("td", { class: "buttons" }, [
                      this.button("↑", { op: "move", place: row.place, by: -1 }, `Move ${row.name} up`, k === 0, "small"),
                      this.button("↓", { op: "move", place: row.place, by: 1 }, `Move ${row.name} down`, k === last, "small"),
                      this.button("Copy", { op: "copy", place: row.place }, `Copy ${row.name}`, false, "small"),
                      this.button("✕", { op: "drop", place: row.place }, `Remove ${row.name}`, false, "small"),
                      row.more.length
                        ? h(
                            "button",
                            { type: "button", class: "small", "aria-expanded": moreOpen ? "true" : "false", "aria-label": `More keys of ${row.name}`, onClick: () => (this.open[id] = !moreOpen) },
                            "More",
                          )
                        : null,
                    ]),
                  ]),
                ];
                if (this.errors[`at.${row.place.join(".")}`]) made.push(h("tr", { key: `${id}.wrong` }, [h("td", { colspan: wide }, this.wrongOf(`at.${row.place.join(".")}`))]));
                if (moreOpen) made.push(h("tr", { key: `${id}.more` }, [h("td", { colspan: wide }, this.plain({ fields: row.more }))]));
                return made;
              }),
            ),
          ]),
        ]),
        this.button(`Add a ${p.add}`, { op: "insert", place: p.place, model: p.what === "pack" ? "PackTable" : "StepTable" }, undefined, false, "quiet"),
      ]);
    },
  },
  render() {
    return h(
      "div",
      { class: "sheet" },
      this.sections.map((s, k) =>
        h("section", { key: s.id, "aria-labelledby": `section.${s.id}` }, [
          h("h2", { id: `section.${s.id}` }, [
            h(
              "button",
              {
                type: "button",
                class: "section",
                "aria-expanded": this.isOpen(s, k) ? "true" : "false",
                onClick: () => (this.open[`section.${s.id}`] = !this.isOpen(s, k)),
              },
              s.title,
            ),
          ]),
          this.isOpen(s, k) ? h("div", { class: "inside" }, this.show(s.parts)) : null,
        ]),
      ),
    );
  },
  mounted() {
    document.addEventListener("keydown", this.onKey, true);
    document.addEventListener("click", this.onPress, true);
  },
  beforeUnmount() {
    document.removeEventListener("keydown", this.onKey, true);
    document.removeEventListener("click", this.onPress, true);
  },
  created() {
    Object.assign(this, { focused: this.focus?.n || 0, sent: this.heard || 0, asked: 0, from: null, keyed: 0, pressed: 0 });
    // the key that does something is before it is asked for; Shift, Control and the like are part of another
    this.onKey = (e) => {
      if (!["Shift", "Control", "Alt", "Meta"].includes(e.key)) this.keyed = performance.now();
    };
    this.onPress = (e) => {
      if (e.target.closest?.("button")) this.pressed = performance.now();
    };
    this.isOpen = (s, k) => {
      const id = `section.${s.id}`;
      const open = id in this.open ? this.open[id] : k < 5;
      return open || this.holdsWrong(s.parts);
    };
  },
};
