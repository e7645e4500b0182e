// What a person chose on this screen, kept in localStorage where there is one.

export function kept(name, fallback) {
  try {
    return localStorage.getItem(`hoistward.${name}`) ?? fallback;
  } catch {
    return fallback;
  }
}

export function keep(name, value) {
  try {
    localStorage.setItem(`hoistward.${name}`, value);
  } catch {
    // A browser without storage asks again after a reload.
  }
}

const THEMES = ["as the machine", "day", "night"];
const dark = matchMedia("(prefers-color-scheme: dark)");

// theme applies the kept choice, and lets button go through the choices.
export function theme(button) {
  const apply = () => {
    const choice = kept("theme", THEMES[0]);
    const now = choice === THEMES[0] ? (dark.matches ? "night" : "day") : choice;
    document.documentElement.dataset.theme = now;
    button.textContent = choice === THEMES[0] ? `${now} (auto)` : now;
    button.setAttribute("aria-label", `${button.textContent} colours, change`);
  };
  button.addEventListener("click", () => {
    keep("theme", THEMES[(THEMES.indexOf(kept("theme", THEMES[0])) + 1) % THEMES.length]);
    apply();
  });
  dark.addEventListener("change", apply);
  apply();
}
