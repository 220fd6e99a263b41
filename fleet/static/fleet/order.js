// The running order of a visit: drag by the grip, or Up and Down, each saved at once. Without a
// connection the new order stays in this browser and is sent when it is back. The forms of the
// page do the same without this script.
"use strict";

(() => {
  const form = () => document.querySelector("[data-order-form]");
  const list = () => document.querySelector("[data-order]");
  const lines = () => [...list().querySelectorAll(":scope > li")];
  const keyInput = (line) => line.querySelector("input[name=order]");
  const keys = () => lines().map((line) => keyInput(line).value);
  const kept = () => `order:${form().dataset.orderForm}`;
  const OFFLINE =
    "No connection. The new order is kept on this phone and is sent when the connection is back.";

  const say = (text) => {
    const said = document.querySelector("[data-order-words]");
    if (!said) return;
    const note = document.createElement("p");
    note.className = "notice notice-warning";
    note.textContent = text;
    said.replaceChildren(note);
  };

  // Kept until the server has answered: a lost answer is sent again, which changes nothing.
  const save = () => {
    localStorage.setItem(kept(), JSON.stringify(keys()));
    if (navigator.onLine) form().requestSubmit();
    else say(OFFLINE);
  };

  const arrange = (order) => {
    const byKey = new Map(lines().map((line) => [keyInput(line).value, line]));
    const known = order.filter((key) => byKey.has(key));
    const rest = [...byKey.keys()].filter((key) => !known.includes(key));
    list().append(...[...known, ...rest].map((key) => byKey.get(key)));
  };

  const sendKept = () => {
    if (!form() || !list()) return;
    const stored = localStorage.getItem(kept());
    if (!stored) return;
    arrange(JSON.parse(stored));
    save();
  };

  // Up and Down: the same list is sent as after a drag, so that both wait alike for a connection.
  document.addEventListener(
    "submit",
    (event) => {
      const step = event.target.dataset ? event.target.dataset.step : null;
      if (step && list()) {
        event.preventDefault();
        event.stopPropagation();
        const line = event.target.closest("li");
        const button = event.target.querySelector("button");
        if (step === "up" && line.previousElementSibling) line.previousElementSibling.before(line);
        if (step === "down" && line.nextElementSibling) line.nextElementSibling.after(line);
        button.focus();
        save();
      } else if (event.target.closest("#day") && !event.target.dataset.keep && !navigator.onLine) {
        event.preventDefault();
        event.stopPropagation();
        say("No connection. Nothing was sent; do it again when the connection is back.");
      }
    },
    true
  );

  // Drag by the grip. Meanwhile each aircraft is one short line, so that a thumb's way is enough to
  // pass the tall card of the next one; near the edge of the screen the page moves by itself.
  let dragged = null;
  let before = [];
  let finger = 0;
  const EDGE_PX = 72;
  const STEP_PX = 6;

  const shorten = (grip, short) => {
    const top = grip.getBoundingClientRect().top;
    list().classList.toggle("arranging", short);
    scrollBy(0, grip.getBoundingClientRect().top - top); // the grip stays under the finger
  };

  const showGrips = () =>
    document.querySelectorAll("[data-grip]").forEach((grip) => { grip.hidden = false; });

  document.addEventListener("pointerdown", (event) => {
    const grip = event.target.closest ? event.target.closest("[data-grip]") : null;
    if (!grip || !list()) return;
    event.preventDefault();
    dragged = grip.closest("li");
    before = lines();
    dragged.classList.add("dragged");
    grip.setPointerCapture(event.pointerId);
    finger = event.clientY;
    shorten(grip, true);
    requestAnimationFrame(follow);
  });
  document.addEventListener("pointermove", (event) => {
    if (!dragged) return;
    finger = event.clientY;
    place();
  });
  const follow = () => {
    if (!dragged) return;
    const towards = finger < EDGE_PX ? -1 : finger > innerHeight - EDGE_PX ? 1 : 0;
    if (towards) {
      scrollBy(0, towards * STEP_PX);
      place();
    }
    requestAnimationFrame(follow);
  };
  const place = () => {
    const middle = (line) => {
      const box = line.getBoundingClientRect();
      return box.top + box.height / 2;
    };
    const others = lines().filter((line) => line !== dragged);
    const below = others.find((line) => finger < middle(line));
    if (below === dragged.nextElementSibling) return;
    if (below) below.before(dragged);
    else list().append(dragged);
  };
  const drop = (keep) => {
    if (!dragged) return;
    dragged.classList.remove("dragged");
    shorten(dragged.querySelector("[data-grip]"), false);
    dragged = null;
    if (!keep) list().append(...before);
    else if (lines().some((line, i) => line !== before[i])) save();
  };
  document.addEventListener("pointerup", () => drop(true));
  document.addEventListener("pointercancel", () => drop(false));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") drop(false);
  });

  // The answer brings the order as the server has it, in new elements. What was moved while it was
  // on its way is still kept then, and is sent next.
  document.addEventListener("htmx:afterRequest", (event) => {
    const { elt, formData } = event.detail.requestConfig;
    if (!elt.dataset.orderForm) return;
    const { status } = event.detail.xhr;
    const key = `order:${elt.dataset.orderForm}`;
    if (event.detail.successful) {
      const sent = JSON.stringify(formData.getAll("order"));
      if (localStorage.getItem(key) === sent) localStorage.removeItem(key);
    } else if (status) {
      localStorage.removeItem(key);
      say("The order could not be saved. Load the page again.");
    } else say(OFFLINE);
  });
  document.addEventListener("htmx:afterSettle", () => {
    showGrips();
    sendKept();
  });
  addEventListener("online", sendKept);
  addEventListener("load", () => {
    showGrips();
    sendKept();
  });
})();
