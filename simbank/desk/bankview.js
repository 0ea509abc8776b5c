// The view of one run (simbank/page/view.js) as an element of the desk.
import * as Vue from "vue";

export default {
  props: { bank: Object, run: Object },
  mounted() {
    this.view = new BankView(this.$el);
    this.draw();
  },
  updated() {
    this.draw();
  },
  methods: {
    // one after the other, and of those that wait only the newest
    draw() {
      const run = this.run;
      if (!run || this.asked === run) return;
      this.asked = run;
      this.queue = (this.queue || Promise.resolve()).then(async () => {
        if (this.asked !== run) return;
        await this.view.show(this.bank, run);
        if (window.deskTyped) window.deskDrawn = performance.now() - window.deskTyped;
      });
    },
  },
  render() {
    return Vue.h("div", { "data-run": this.run ? "shown" : "none" });
  },
};
