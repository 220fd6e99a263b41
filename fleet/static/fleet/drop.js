// Files for passes and scans of cards: dropped or picked, each answered beside its name. Those of a
// form with data-drop="hold" wait for its button, others are sent at once. Without this script the
// form's own button sends them.
"use strict";

(() => {
  const zone = (event) => (event.target.closest ? event.target.closest("[data-drop]") : null);
  const input = (form) => form.querySelector("input[type=file]");
  const say = (form, text) => {
    form.querySelector("[data-drop-words]").textContent = text;
  };
  const names = (form) => [...input(form).files].map((file) => file.name).join(", ");
  const count = (form) => {
    const files = input(form).files.length;
    return files === 1 ? "1 file" : `${files} files`;
  };

  const press = (form) => `press ${form.querySelector("button").textContent}`;

  const send = (form) => {
    if (!input(form).files.length) return;
    if (form.dataset.drop === "hold") return say(form, `${count(form)}: ${names(form)}. Now ${press(form)}.`);
    if (!navigator.onLine) return offline(form);
    say(form, `Sending ${count(form)}: ${names(form)}`);
    form.requestSubmit();
  };
  const offline = (form) =>
    say(
      form,
      `No connection. Not sent yet: ${names(form)}. This page cannot keep files: leave it open and ` +
        `${press(form)} when the connection is back.`
    );

  document.addEventListener("dragover", (event) => {
    const form = zone(event);
    if (!form) return;
    event.preventDefault();
    form.classList.add("over");
  });
  document.addEventListener("dragleave", (event) => {
    const form = zone(event);
    if (form && !form.contains(event.relatedTarget)) form.classList.remove("over");
  });
  document.addEventListener("drop", (event) => {
    const form = zone(event);
    if (!form) return;
    event.preventDefault();
    form.classList.remove("over");
    if (!event.dataTransfer.files.length) return;
    input(form).files = event.dataTransfer.files;
    send(form);
  });
  document.addEventListener("change", (event) => {
    const form = zone(event);
    if (form && event.target === input(form)) send(form);
  });
  document.addEventListener("htmx:xhr:progress", (event) => {
    const form = zone(event);
    if (!form || !event.detail.lengthComputable) return;
    const share = Math.round((100 * event.detail.loaded) / event.detail.total);
    say(form, share < 100 ? `Sending ${count(form)}, ${share} %` : `Reading ${count(form)}`);
  });
  document.addEventListener("htmx:sendError", (event) => {
    const form = zone(event);
    if (form) offline(form);
  });
  document.addEventListener("htmx:responseError", (event) => {
    const form = zone(event);
    if (!form) return;
    const status = event.detail.xhr.status;
    say(form, `Not added (the server answered ${status}): ${names(form)}. To try again, ${press(form)}.`);
  });
})();
