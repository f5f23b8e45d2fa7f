// Draws a Bokeh item in an output of a notebook and moves its numbers.
// Every message holds all columns that ever moved, so only the last one counts.

/** Collect what a message changes, by source. */
function changes(frame, numbers) {
  const bySource = new Map();
  const at = (source) => bySource.get(source) ?? bySource.set(source, {}).get(source);
  for (const [source, column, start, size] of frame.columns ?? []) {
    at(source)[column] = new Float32Array(numbers, 4 * start, size);
  }
  for (const [source, column, texts] of frame.texts ?? []) at(source)[column] = texts;
  return bySource;
}

/** Tell whether a column has these values already; laying out labels anew costs more than comparing them. */
function same(values, old) {
  return values.length === old.length && values.every((value, i) => Object.is(value, old[i]));
}

async function render({ model, el }) {
  const root = document.createElement("div");
  root.className = "ohmshift-live";
  root.setAttribute("role", "img");
  el.appendChild(root);
  const speak = () => root.setAttribute("aria-label", model.get("spoken"));
  speak();

  const library = await model.widget_manager.get_model(model.get("library").replace("IPY_MODEL_", ""));
  const bokeh = await load(library.get("script"), library.get("version"));
  let views = [];
  let shown = null; // the document that is drawn
  let building = Promise.resolve();
  let waiting = 0; // the repaint that is asked for
  let late = false; // a message came since the last move
  let gone = false;

  function clear() {
    const documents = new Set(views.map((view) => view.model.document));
    for (const view of views) view.remove();
    for (const old of documents) {
      const place = bokeh.documents.indexOf(old);
      if (place >= 0) bokeh.documents.splice(place, 1); // or the page keeps it, numbers and all
    }
    views = [];
    root.replaceChildren();
  }

  async function build() {
    clear();
    shown = null;
    const made = await bokeh.embed.embed_item({ ...JSON.parse(model.get("item")), target_id: null }, root);
    views = [...made];
    if (gone) clear();
    else {
      shown = views[0].model.document;
      move();
    }
  }

  function move() {
    if (!shown) return; // a build under way moves when it is done
    const view = model.get("numbers");
    const numbers = view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength);
    const frame = JSON.parse(model.get("frame"));
    for (const [name, columns] of changes(frame, numbers)) {
      const source = shown.get_model_by_name(name);
      const other = Object.entries(columns).filter(([column, values]) => !same(values, source.data[column]));
      if (other.length) source.data = { ...source.data, ...Object.fromEntries(other) };
    }
    for (const [name, text] of frame.titles ?? []) {
      const title = shown.get_model_by_name(name);
      if (title.text !== text) title.text = text;
    }
  }

  // Move at once, but no more than once a repaint: of the messages that come in between, the last one counts.
  function follow() {
    late = Boolean(waiting);
    if (waiting) return;
    move();
    waiting = requestAnimationFrame(() => {
      waiting = 0;
      if (late) follow();
    });
  }

  const rebuild = () => {
    building = building.then(build);
  };
  // One event a message, after all its parts are there.
  let last = [model.get("frame"), model.get("numbers")];
  const change = () => {
    const now = [model.get("frame"), model.get("numbers")];
    if (now.some((part, i) => part !== last[i])) follow();
    last = now;
  };
  model.on("change:spoken", speak);
  model.on("change", change);
  model.on("change:item", rebuild);
  rebuild();
  return () => {
    gone = true;
    cancelAnimationFrame(waiting);
    model.off("change:spoken", speak);
    model.off("change", change);
    model.off("change:item", rebuild);
    clear();
  };
}

export default { render };
