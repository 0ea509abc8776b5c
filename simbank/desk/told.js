// What came of something, as blocks: warnings, words, tables, figures, verdicts, caution. Texts stay texts; only figures, which simbank draws, are markup, and pictures not even here.
import * as Vue from "vue";

const h = Vue.h;

// Texts of a table stay readable where it is narrow: short ones on one line, long ones not one word to a line; it scrolls sideways before.
const lengthOf = (text) => (text.length > 60 ? "long" : text.length > 16 ? "middling" : "short");

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
          h("caption", h("span", b.title)),
          h("thead", [h("tr", b.head.map(([words, numbers]) => h("th", { scope: "col", class: numbers ? "n" : "" }, words)))]),
          h(
            "tbody",
            b.rows.map((row) => h("tr", row.map((text, k) => h(k ? "td" : "th", { scope: k ? undefined : "row", class: b.head[k][1] ? "n" : lengthOf(text) }, text)))),
          ),
        ]),
      ]),
    list: (b) => h("ul", { class: "said-list" }, b.items.map((text) => h("li", text))),
    // groups of sentences below a heading each
    groups: (b) => [
      h("h3", b.title),
      b.groups.map((g) => h("div", { class: ["group", g.mark ? "act" : ""] }, [h("p", h("strong", g.title)), h("ul", g.items.map((text) => h("li", text)))])),
    ],
    picture(b) {
      // its letters stay large enough to be read: it scrolls before it becomes smaller than that
      const least = b.scrolls ? 0.75 * parseFloat((b.svg.match(/ width="([\d.]+)"/) || [0, 600])[1]) : 544;
      return h("figure", [
        h("div", { class: "wide", tabindex: 0, role: "region", "aria-label": b.caption }, [
          h("img", {
            src: `data:image/svg+xml;charset=utf-8,${encodeURIComponent(b.svg)}`,
            alt: b.alt,
            class: [b.scrolls ? "as-drawn" : "", least > 340 ? "scrolls" : ""],
            style: { minWidth: `${least}px` },
          }),
        ]),
        h("figcaption", b.caption),
      ]);
    },
    fold(b) {
      return h("details", { class: "fold", key: b.title }, [h("summary", b.title), b.blocks.map((one) => this[one.kind](one))]);
    },
  },
  render() {
    return h("div", { class: "told" }, this.blocks.map((b) => this[b.kind](b)));
  },
};
