// The report page in a real browser.

export const tests = [];
