/* The page's own script: says new verdicts to screen readers and keeps the document's language.
   Nothing is fetched, nothing is stored. */
"use strict";
(() => {
  const voice = document.createElement("div");
  voice.setAttribute("role", "status");
  voice.setAttribute("aria-live", "polite");
  voice.className = "uk-voice";
  let last = "";
  const look = () => {
    const verdict = document.querySelector("#uk-verdict [data-say]");
    const said = verdict ? verdict.getAttribute("data-say") : "";
    if (said !== last) {
      last = said;
      voice.textContent = said;
      if (said) {
        const area = document.querySelector(".uk-verdict-area");
        const box = area ? area.getBoundingClientRect() : null;
        if (box && (box.top < 0 || box.top > window.innerHeight * 0.6)) {
          const calm = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
          area.scrollIntoView({ block: "start", behavior: calm ? "auto" : "smooth" });
        }
      }
    }
    for (const fold of document.querySelectorAll(".uk-fold > .label-wrap")) {
      const body = fold.parentElement.querySelector('[data-testid="accordion-content"]');
      const open = String(body !== null && body.style.display !== "none");
      if (fold.getAttribute("aria-expanded") !== open) fold.setAttribute("aria-expanded", open);
    }
    for (const set of document.querySelectorAll("fieldset")) {
      const name = set.querySelector('[data-testid="block-info"]');
      const said = name ? name.textContent.trim() : "";
      if (said && set.getAttribute("aria-label") !== said) set.setAttribute("aria-label", said);
      // One name makes the answers of a question one group: arrow keys move inside it, Tab leaves it.
      const answers = set.querySelectorAll('input[type="radio"]');
      for (const one of answers) if (one.name !== answers[0].name) one.name = answers[0].name;
    }
    const chosen = document.querySelector("#uk-lang input:checked");
    const lang = chosen ? chosen.value : "en";
    if (document.documentElement.lang !== lang) document.documentElement.lang = lang;
  };
  const start = () => {
    document.body.append(voice);
    new MutationObserver(look).observe(document.body, { subtree: true, childList: true, attributes: true,
      attributeFilter: ["data-say", "class", "style", "value"] });
    document.addEventListener("change", look);
    look();
  };
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
  else start();
})();
