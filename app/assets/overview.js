// Copies a drafted reply, and remembers in this browser which ones were copied. Nothing leaves the page.
"use strict";
for (const button of document.querySelectorAll(".reply button")) {
  const article = button.closest("article");
  const reply = article.querySelector("pre");
  // The same case with another reply is another thing to send.
  let sum = 0;
  for (const c of reply.textContent) sum = (Math.imul(sum, 31) + c.codePointAt(0)) | 0;
  const key = "updraft-key-copied " + article.id + " " + sum;
  const done = () => {
    article.classList.add("copied");
    button.textContent = button.dataset.done;
  };
  try {
    if (localStorage.getItem(key)) done();
  } catch { /* a browser that remembers nothing still copies */ }
  button.hidden = false;
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(reply.textContent);
    } catch {
      article.querySelector("details").open = true;
      getSelection().selectAllChildren(reply);
      if (!document.execCommand("copy")) return;
      getSelection().removeAllRanges();
    }
    done();
    try {
      localStorage.setItem(key, "1");
    } catch { /* as above */ }
  });
}
