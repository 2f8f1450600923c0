const unfold = () => {
  const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  for (let part = target; part; part = part.parentElement) if (part.localName === "details") part.open = true;
  if (target) target.scrollIntoView();
};
addEventListener("hashchange", unfold);
addEventListener("beforeprint", () => document.querySelectorAll("details").forEach((part) => { part.open = true; }));
unfold();
