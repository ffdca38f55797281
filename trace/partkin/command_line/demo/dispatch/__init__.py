"""How finished units leave the plant: into cartons, onto pallets, onto lorries; and how one comes back."""
