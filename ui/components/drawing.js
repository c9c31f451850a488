// One drawing made by ui/guide.py (never by a person or a file), in the colours of the theme.
export default function ({ data, parentElement }) {
  const figure = parentElement.querySelector(".drawing");
  const parsed = new DOMParser().parseFromString(data.svg, "image/svg+xml").documentElement;
  if (parsed.nodeName !== "svg") return;
  parsed.setAttribute("role", "img");
  parsed.setAttribute("aria-label", data.words);
  figure.replaceChildren(document.importNode(parsed, true));
}
