// What came of something, as blocks: warnings, words, tables, figures, verdicts, caution. Texts stay texts; only figures, which simbank draws, are markup.
import * as Vue from "vue";

const h = Vue.h;

export default {
  props: { blocks: Array },
  methods: {
    say: (b) => h("p", { class: b.classes || undefined }, b.text),
    caution: (b) => h("p", { class: "caution" }, b.text),
    heading: (b) => h(`h${b.level || 3}`, b.text),
    warnings: (b) =>
      h("div", { class: "warned", role: "group", "aria-label": "Warnings" }, [
        h("ul", b.records.map((r) => h("li", [h("strong", `WARNING ${r.code} (${r.where}): `), r.text]))),
      ]),
    verdicts: (b) => [
      h("h3", b.title),
      h(
        "ul",
        { class: "verdicts" },
        b.records.map((r) => h("li", { class: r.severity }, [h("strong", `${r.sign} ${r.severity.toUpperCase()} ${r.code} (${r.where}): `), r.text])),
      ),
    ],
    table: (b) =>
      h("div", { class: "wide", tabindex: 0, role: "region", "aria-label": b.title }, [
        h("table", [
          h("caption", b.title),
          h("thead", [h("tr", b.head.map(([words, numbers]) => h("th", { scope: "col", class: numbers ? "n" : "" }, words)))]),
          h(
            "tbody",
            b.rows.map((row) => h("tr", row.map((text, k) => h(k ? "td" : "th", { scope: k ? undefined : "row", class: b.head[k][1] ? "n" : "" }, text)))),
          ),
        ]),
      ]),
    figure: (b) =>
      h("figure", [h("div", { class: "wide", tabindex: 0, role: "img", "aria-label": b.caption, innerHTML: b.svg }), h("figcaption", b.caption)]),
  },
  render() {
    return h("div", { class: "told" }, this.blocks.map((b) => this[b.kind](b)));
  },
};
