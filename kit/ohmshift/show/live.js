// Draws a Bokeh item in an output of a notebook and fills it with lines, ranges and words.
// Every message holds all of it, so only the last one counts.

/** Give columns with their numbers: in the message, an array is a place and a size in the buffer. */
function unpack(value, numbers) {
  if (Array.isArray(value)) return value.map((part) => unpack(part, numbers));
  return value?.size === undefined ? value : new Float32Array(numbers, 4 * value.at, value.size);
}

/** Tell whether two values are the same, lists by what they hold. */
function same(one, other) {
  if (typeof one !== "object" || typeof other !== "object") return Object.is(one, other);
  return one.length === other.length && one.every((value, i) => same(value, other[i]));
}

/** Give the entries of an object that another one does not have; painting costs more than comparing. */
function differing(now, before) {
  const found = Object.entries(now).filter(([key, value]) => !(key in before && same(value, before[key])));
  return found.length ? Object.fromEntries(found) : null;
}

/** A figure in the page: built empty, filled by messages. */
class Drawing {
  constructor(bokeh, place, item) {
    Object.assign(this, { bokeh, place, item, models: new Map(), given: {} });
  }

  async build() {
    this.views = [...(await this.bokeh.embed.embed_item({ ...JSON.parse(this.item), target_id: null }, this.place))];
    this.document = this.views[0].model.document;
  }

  find(name) {
    if (!this.models.has(name)) this.models.set(name, this.document.get_model_by_name(name));
    return this.models.get(name);
  }

  fill({ properties, columns }, numbers) {
    for (const [name, wanted] of Object.entries(properties)) {
      const other = differing(wanted, this.given[name] ?? {}); // not the model: a reader may have zoomed
      this.given[name] = wanted;
      if (other?.major_label_overrides) other.major_label_overrides = new Map(other.major_label_overrides);
      if (other) this.find(name).setv(other);
    }
    for (const [name, packed] of Object.entries(columns)) {
      const source = this.find(name);
      const wanted = Object.entries(packed).map(([column, value]) => [column, unpack(value, numbers)]);
      const other = differing(Object.fromEntries(wanted), source.data);
      if (other) source.data = { ...source.data, ...other };
    }
  }

  /** Wait until it is painted, but not for ever: nobody paints what is out of sight. */
  async painted() {
    for (let i = 0; i < 60 && !this.document.is_idle; i++) await new Promise(requestAnimationFrame);
  }

  remove() {
    for (const view of this.views) view.remove();
    const at = this.bokeh.documents.indexOf(this.document);
    if (at >= 0) this.bokeh.documents.splice(at, 1); // or the page keeps it, numbers and all
    this.place.remove();
  }
}

/** Leave plain keys to the control that has the focus: JupyterLab takes the arrow keys in a list for its own cells. */
function keepPlainKeys(event) {
  if (!event.target.closest?.(".jp-OutputArea .jupyter-widgets")) return;
  const shortcut = event.ctrlKey || event.metaKey || event.altKey || event.shiftKey || event.key === "Escape";
  event.target.toggleAttribute("data-lm-suppress-shortcuts", !shortcut);
}

if (!window.ohmshiftKeys) {
  window.ohmshiftKeys = true; // once a page, not once a figure
  window.addEventListener("keydown", keepPlainKeys, true);
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
  let shown = null;
  let building = Promise.resolve();
  let waiting = 0; // the repaint that is asked for
  let late = false; // a message came since the last move
  let gone = false;

  function fill(drawing) {
    if (drawing?.item !== model.get("item")) return; // one under way is filled when it is built
    const view = model.get("numbers");
    const numbers = view.buffer.slice(view.byteOffset, view.byteOffset + view.byteLength);
    drawing.fill(JSON.parse(model.get("frame")), numbers);
  }

  /** Build beside what is shown, and change over once it is painted. */
  async function build() {
    if (gone || shown?.item === model.get("item")) return;
    const place = root.appendChild(document.createElement("div"));
    if (shown) place.className = "ohmshift-coming";
    const drawing = new Drawing(bokeh, place, model.get("item"));
    await drawing.build();
    fill(drawing);
    if (shown) await drawing.painted();
    place.className = "";
    shown?.remove();
    shown = drawing;
    if (gone) shown.remove();
    else fill(shown);
  }

  // Move at once, but no more than once a repaint: of the messages that come in between, the last one counts.
  function follow() {
    late = Boolean(waiting);
    if (waiting) return;
    fill(shown);
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
    shown?.remove();
  };
}

export default { render };
