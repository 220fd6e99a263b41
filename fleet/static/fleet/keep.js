// Forms marked data-keep="KEY" keep what was typed in this browser until they are saved, so that
// a lost connection loses nothing; the page says when it put typing back, or is off line.
"use strict";

for (const form of document.querySelectorAll("form[data-keep]")) {
  const key = `kept:${form.dataset.keep}`;
  const fields = () =>
    [...form.elements].filter(
      (e) => e.name && !["file", "hidden", "submit", "button", "password"].includes(e.type)
    );
  const read = () => JSON.stringify(fields().map((e) => [e.name, e.type === "checkbox" || e.type === "radio" ? e.checked : e.value]));
  const asServed = read();
  const said = form.querySelector("[data-kept-words]");

  const kept = localStorage.getItem(key);
  if (kept && kept !== asServed && !form.querySelector(".error")) {
    const values = JSON.parse(kept);
    fields().forEach((e, i) => {
      if (!values[i] || values[i][0] !== e.name) return;
      if (e.type === "checkbox" || e.type === "radio") e.checked = values[i][1];
      else e.value = values[i][1];
    });
    if (said) said.textContent = "What you typed last time was not saved; it is back in the form.";
  }
  form.addEventListener("input", () => localStorage.setItem(key, read()));
  form.addEventListener("reset", () => localStorage.removeItem(key));
  form.addEventListener("submit", (event) => {
    if (navigator.onLine) {
      // Cleared when the next page comes from the server; put back when it does not come.
      sessionStorage.setItem("sent", key);
      return;
    }
    event.preventDefault();
    localStorage.setItem(key, read());
    if (said) said.textContent = "No connection. What you typed is kept here; save again when it is back.";
  });
  if (sessionStorage.getItem("sent") === key && form.querySelector(".error")) sessionStorage.removeItem("sent");
}

const sent = sessionStorage.getItem("sent");
if (sent && !document.querySelector(`form[data-keep="${CSS.escape(sent.slice(5))}"]`)) {
  localStorage.removeItem(sent);
  sessionStorage.removeItem("sent");
}
