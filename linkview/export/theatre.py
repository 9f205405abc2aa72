"""The lit stage in an off-screen window: props under studio light, photographed pose by pose.

Stills are drawn finer with ambient shade and reduced; film frames are smoothed along their edges
only (`films.py`).
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pyvista as pv
from numpy.typing import NDArray
from PIL import Image

from linkview.export.overlay import Pixels
from linkview.export.window import Window
from linkview.geometry import Array, Flags, dot
from linkview.scene.camera import Camera
from linkview.scene.colours import FLOOR, PAPER, SEE_THROUGH, SKY, Paint
from linkview.scene.stage import Prop, Stage

_LIGHTS = (  # where from (to the right of, above, behind the eye), colour, strength
    ((-0.7, 1.0, 1.0), "#fff4e4", 0.86),  # key: warm, from the upper left
    ((1.3, 0.3, 0.8), "#e4eeff", 0.42),  # fill: cool, from the right
    ((0.2, 1.5, -1.3), "#ffffff", 0.42),  # rim: from behind, above
)
_STRIPE_MM = 46.0


class Theatre(Window):
    """The lit stage, one actor per prop. finer: how many times finer than the picture it is drawn,
    for stills.
    """

    def __init__(self, stage: Stage, size: tuple[int, int], *, finer: float = 1) -> None:
        super().__init__(size, finer)
        self.stage = stage
        self._depths: Array | None = None
        self._backdrop: Pixels | None = None
        self._shaded = False
        self._last: Pixels = np.zeros((size[1], size[0], 3), dtype=np.uint8)
        self._plotter.set_background([c / 255 for c in FLOOR], top=[c / 255 for c in SKY])
        for place, colour, strength in _LIGHTS:
            self._plotter.add_light(
                pv.Light(
                    position=place,
                    focal_point=(0, 0, 0),
                    color=colour,
                    intensity=strength,
                    light_type="camera light",
                )
            )
        order = sorted(range(len(stage.props)), key=lambda k: _drawn_after(stage.props[k].paint))
        self.actors: dict[int, list[pv.Actor]] = {k: self._enter(stage.props[k]) for k in order}

    def shade_corners(self) -> None:
        """Ambient shade where parts meet; only for stills, it takes half a second.

        The shade pass reads its buffers where the graded background has written nothing to them:
        what came out differed from run to run (48,617 pixels, by up to 56 of 255). Over a flat
        background it does not, so the still is drawn over black and over white, which gives its
        own cover as well, and laid over the grades here.
        """
        self._shaded = True

    def resize(self, size: tuple[int, int], *, finer: float) -> None:
        """Draws another size from now on; the same props need not be made a second time."""
        self.size, self.finer = size, finer
        self._plotter.window_size = [round(s * finer) for s in size]
        self._depths = self._backdrop = None

    def place(self, placings: Array) -> None:
        """Move every prop; placings (n, 4, 4)."""
        for k, actors in self.actors.items():
            for actor in actors:
                actor.user_matrix = placings[k]

    def fade(self, props: Iterable[int], opacity: float) -> None:
        """Make props see-through, to be looked past."""
        for k in props:
            for actor in self.actors[k]:
                actor.prop.opacity = opacity
                actor.prop.culling = "back"

    def shoot(self) -> Pixels:
        """The picture as it now stands, (height, width, 3)."""
        self._depths = None
        self._last = self._reduced(self._drawn())
        return self._last.copy()

    def cut_out(self) -> Pixels:
        """The picture without its background, (height, width, 4): colour and cover."""
        colour, cover = self._over_black_and_white()
        shown = np.where(cover > 0.0, colour / np.maximum(cover, 1e-6), 0.0)
        rgba = np.concatenate([np.clip(shown, 0.0, 255.0), 255.0 * cover], axis=-1)
        fine = Image.fromarray((rgba + 0.5).astype(np.uint8), "RGBA")
        return np.array(fine.resize(self.size, Image.Resampling.BOX))

    def _drawn(self) -> Pixels:
        if not self._shaded:
            return self._render()
        colour, cover = self._over_black_and_white()
        upward = np.linspace(1.0, 0.0, len(colour))[:, None, None]
        behind = np.array(FLOOR) + upward * (np.array(SKY) - np.array(FLOOR, dtype=float))
        pixels = colour + (1.0 - cover) * behind.astype(np.float32)
        return np.asarray(np.clip(pixels + 0.5, 0.0, 255.0).astype(np.uint8))

    def _over_black_and_white(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Colour (height, width, 3) times cover, and cover (height, width, 1) from 0 to 1.

        Shade changes no cover: what is drawn over white needs none, and takes a sixth as long.
        """
        self._plotter.set_background("white")
        white = self._render().astype(np.float32)
        self._plotter.set_background("black")
        black = self._render().astype(np.float32)
        cover = np.clip(1.0 - (white - black).max(axis=-1, keepdims=True) / 255.0, 0.0, 1.0)
        if self._shaded:
            self._plotter.enable_ssao(radius=70.0, bias=2.5, kernel_size=32, blur=True)
            black = self._render().astype(np.float32)
            self._plotter.disable_ssao()
        return black, cover

    def _reduced(self, pixels: Pixels) -> Pixels:
        if self.finer == 1:
            return np.ascontiguousarray(pixels)
        return np.array(Image.fromarray(pixels).resize(self.size, Image.Resampling.LANCZOS))

    def sees(self, places: Array, camera: Camera, behind_mm: float) -> Flags:
        """Which places (n, 3) are on the picture and at most behind_mm behind what is drawn."""
        drawn = self._depth()
        pixels = camera.pixels(places) * self.finer
        inside = np.isfinite(pixels).all(axis=1)
        x, y = np.nan_to_num(pixels, nan=-1.0).astype(int).T
        inside &= (x >= 0) & (y >= 0) & (x < drawn.shape[1]) & (y < drawn.shape[0])
        depth = dot(places - camera.eye, camera.look)
        seen = np.zeros(len(places), dtype=bool)
        seen[inside] = depth[inside] <= drawn[y[inside], x[inside]] + behind_mm
        return seen

    def covered(self) -> Flags:
        """(height, width): pixels of the last picture with something solid on them.

        A still's depths are read anyway, to see what is hidden; see-through things leave none. A
        frame's tell by the same picture without what is solid, taken once: reading depths back
        takes 40 ms a frame, this 3. Pads move with the wheels and count where they left theirs.
        """
        if self._shaded:
            there = Image.fromarray((255 * np.isfinite(self._depth())).astype(np.uint8))
            return np.asarray(there.resize(self.size, Image.Resampling.BOX)) > 0
        if self._backdrop is None:
            solid = [
                actor
                for k, some in self.actors.items()
                if self.stage.props[k].paint not in (*SEE_THROUGH, Paint.SHADOW)
                for actor in some
            ]
            for actor in solid:
                actor.visibility = False
            self._backdrop = self._reduced(self._drawn())
            for actor in solid:
                actor.visibility = True
        return np.asarray((self._last != self._backdrop).any(axis=2))

    def _depth(self) -> Array:
        """(height, width) mm before the eye in the last picture, infinite where nothing is."""
        if self._depths is None:
            self._depths = -np.nan_to_num(self._plotter.get_image_depth(), nan=-np.inf)
        return self._depths

    def _enter(self, prop: Prop) -> list[pv.Actor]:
        if "rgba" in prop.mesh.point_data:
            shadow = self._plotter.add_mesh(
                prop.mesh, scalars="rgba", rgba=True, lighting=False, reset_camera=False
            )
            return [shadow]
        opacity = SEE_THROUGH.get(prop.paint, 1.0)
        mesh, texture = prop.mesh, None
        if prop.marked:
            mesh, texture = _striped(mesh, prop.paint)
            opacity = 1.0
        dull = prop.paint in (Paint.TYRE, Paint.SHELL, Paint.PAD)
        actor = self._plotter.add_mesh(
            mesh,
            color=None if texture is not None else prop.paint.hex,
            texture=texture,
            opacity=opacity,
            smooth_shading=False,
            ambient=0.22,
            diffuse=0.88,
            specular=0.10 if dull else 0.42,
            specular_power=12.0 if dull else 34.0,
            reset_camera=False,
            show_scalar_bar=False,
        )
        actor.prop.interpolation = "phong"
        if opacity < 1.0:
            actor.prop.culling = "back"
        self._solid.append((actor, prop.mesh))
        return [actor, *self._outlines(prop)]

    def _outlines(self, prop: Prop) -> list[pv.Actor]:
        """Hard edges of the see-through shell as thin lines, so that it reads as a solid."""
        if prop.paint is not Paint.SHELL:
            return []
        edges = prop.mesh.clean().extract_feature_edges(
            feature_angle=50.0, manifold_edges=False, non_manifold_edges=False
        )
        if edges.n_cells == 0:
            return []
        line = self._plotter.add_mesh(
            edges,
            color="#6d7a8b",
            line_width=1.1 * self.finer,
            lighting=False,
            opacity=0.75,
            reset_camera=False,
        )
        return [line]


def _drawn_after(paint: Paint) -> int:
    """See-through things are drawn after the solid ones, in this order."""
    order = [Paint.PAD, Paint.SHADOW, Paint.SHELL]
    return order.index(paint) + 1 if paint in order else 0


def _striped(mesh: pv.PolyData, paint: Paint) -> tuple[pv.PolyData, pv.Texture]:
    """The mesh in its own colour with slanting, pale-edged warning stripes: told without colour."""
    out = mesh.copy()
    along = out.points @ np.array([0.58, 0.58, 0.58])
    out.active_texture_coordinates = np.stack(
        [along / _STRIPE_MM, np.zeros(len(along))], -1
    ).astype(np.float32)
    band = np.empty((4, 128, 3), np.uint8)
    band[:], band[:, 84:], band[:, 88:124] = paint.rgb, PAPER, Paint.WARNING.rgb
    texture = pv.Texture(band)
    texture.repeat, texture.interpolate, texture.mipmap = True, True, True
    return out, texture
