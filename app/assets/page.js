/* The page's own script: says new verdicts to screen readers and keeps the document's language.
   Says the framework's own messages and the drawing board's buttons in our words and the page's language.
   Nothing is fetched, nothing is stored. */
"use strict";
(() => {
  const voice = document.createElement("div");
  voice.setAttribute("role", "status");
  voice.setAttribute("aria-live", "polite");
  voice.className = "uk-voice";
  let last = "";
  const wordsIn = (name) => {
    const holder = document.querySelector(`[${name}]`);
    try { return holder ? JSON.parse(holder.getAttribute(name)) : {}; } catch (_) { return {}; }
  };
  const put = (element, name, text) => { if (text && element.getAttribute(name) !== text) element.setAttribute(name, text); };
  const sort = (text) => {
    if (/busy|queue/i.test(text)) return "busy";
    if (/send fewer/i.test(text)) return "many";
    if (/connect|network|fetch/i.test(text)) return "lost";
    return /exceed|too large|size|413/i.test(text) ? "large" : "failed";
  };
  const speak = () => {
    const words = wordsIn("data-page-words");
    for (const toast of document.querySelectorAll('[data-testid="toast-body"]')) {
      for (const text of toast.querySelectorAll('[data-testid="toast-text"]')) {
        if (!text.dataset.ukSort) text.dataset.ukSort = sort(text.textContent);
        const said = words[text.dataset.ukSort];
        if (said && text.textContent !== said) text.textContent = said;
      }
      const title = toast.querySelector(".toast-title");
      if (title && title.firstChild && words.title && title.firstChild.nodeValue !== words.title) title.firstChild.nodeValue = words.title;
      const close = toast.querySelector('[data-testid="toast-close"]');
      if (close) put(close, "aria-label", words.close);
    }
    const board = wordsIn("data-board-words");
    for (const button of document.querySelectorAll(".uk-board button[aria-label]")) {
      if (!button.dataset.ukName) button.dataset.ukName = button.getAttribute("aria-label");
      const said = board[button.dataset.ukName];
      put(button, "aria-label", said);
      put(button, "title", said);
    }
    // The canvas takes the keyboard's focus for its own keys, which are switched off here; a name is all it lacks.
    for (const canvas of document.querySelectorAll(".uk-board .annotator-container")) {
      put(canvas, "tabindex", "-1");
    }
  };
  const look = () => {
    speak();
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
      attributeFilter: ["data-say", "data-page-words", "data-board-words", "class", "style", "value"] });
    document.addEventListener("change", look);
    // A double tap would open the board's own dialog; the part is chosen above the board instead.
    document.addEventListener("dblclick", (event) => {
      if (event.target instanceof Element && event.target.closest(".uk-board")) event.stopPropagation();
    }, true);
    look();
  };
  if (document.readyState === "loading") document.addEventListener("DOMContentLoaded", start);
  else start();
})();
