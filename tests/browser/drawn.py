"""What is drawn on a canvas."""

COLOURS = """canvas => {  // how many there are: an empty one has one, paper alone a few
  const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
  const seen = new Set();
  for (let i = 0; i < data.length; i += 4) seen.add(data[i] << 16 | data[i + 1] << 8 | data[i + 2]);
  return seen.size;
}"""
