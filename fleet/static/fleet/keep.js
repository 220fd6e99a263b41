// Forms marked data-keep="KEY" keep what was typed in this browser until they are saved, so that
// a lost connection loses nothing; the page says when it put typing back, or is off line.
"use strict";

(() => {
  const SENT = "sent"; // in sessionStorage: the key of the form sent last from this tab
  const forms = [...document.querySelectorAll("form[data-keep]")];
  const keyOf = (form) => `kept:${form.dataset.keep}`;

  const sent = sessionStorage.getItem(SENT);
  const ours = forms.find((form) => keyOf(form) === sent);
  const [arrival] = performance.getEntriesByType("navigation");
  // A saved form leads on from its page to another one, where the signed-in person sees the
  // navigation. An error page, another way here, or the sign-in of a session that ran out is no
  // sign of saving.
  const saved =
    arrival && arrival.type === "navigate" && arrival.redirectCount > 0 && document.referrer &&
    document.querySelector("header nav") && !(ours && ours.querySelector(".error:not(:empty)"));
  if (sent) {
    if (saved) localStorage.removeItem(sent);
    sessionStorage.removeItem(SENT);
  }

  // Back on a form whose sending came to nothing, as the browser had put it aside.
  addEventListener("pageshow", (event) => {
    if (event.persisted) sessionStorage.removeItem(SENT);
  });

  for (const form of forms) keep(form, keyOf(form));

  function keep(form, key) {
    const said = form.querySelector("[data-kept-words]");
    const isTick = (e) => e.type === "checkbox" || e.type === "radio";
    const fields = () =>
      [...form.elements].filter(
        (e) => e.name && !["file", "hidden", "submit", "button", "password"].includes(e.type)
      );
    const read = () =>
      JSON.stringify(fields().map((e) => [e.name, isTick(e) ? e.checked : e.value]));
    const asServed = read();

    const kept = localStorage.getItem(key);
    if (kept && kept !== asServed && !form.querySelector(".error:not(:empty)")) {
      const values = JSON.parse(kept);
      fields().forEach((e, i) => {
        if (!values[i] || values[i][0] !== e.name) return;
        if (isTick(e)) e.checked = values[i][1];
        else e.value = values[i][1];
      });
      const folded = form.closest("details");
      if (folded) folded.open = true;
      if (said) said.textContent = "What you typed last time was not saved; it is back in the form.";
    }
    form.addEventListener("input", () => localStorage.setItem(key, read()));
    form.addEventListener("reset", () => localStorage.removeItem(key));
    form.addEventListener("submit", (event) => {
      localStorage.setItem(key, read());
      if (navigator.onLine) {
        sessionStorage.setItem(SENT, key);
        return;
      }
      event.preventDefault();
      if (said) {
        said.textContent = "No connection. What you typed is kept here; save again when it is back.";
      }
    });
  }
})();
